"""Physics: pure functions of numbers in SI units, compiled, one topic per file."""
