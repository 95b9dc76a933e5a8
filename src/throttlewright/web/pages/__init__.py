"""One file per page, each with a ``PAGE`` and a ``router``; the registry finds them."""
