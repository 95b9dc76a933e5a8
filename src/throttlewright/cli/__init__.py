"""Terminal door: no physics behind it, it calls workshop only."""
