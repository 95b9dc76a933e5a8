"""The workbench in the browser: a door to the workshop, with no physics behind it."""
