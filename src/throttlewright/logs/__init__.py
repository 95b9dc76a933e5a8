"""Learning from recordings: what a record tells of sensors, servo and car, and what it cannot."""
