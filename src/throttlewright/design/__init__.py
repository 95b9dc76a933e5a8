"""Design: from build and intent to the tables of a calibration, one file per role."""
