"""Foundation: errors, compiled kernels, units, events, provenance, status. A closed list."""
