"""Hand-over: what leaves the bench."""
