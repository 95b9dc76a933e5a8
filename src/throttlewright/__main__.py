"""Run the terminal program as ``python -m throttlewright``."""

from throttlewright.cli.main import main

main()
