"""Drive: a car, a calibration and a scenario stepped together, tick by tick, into a recording."""
