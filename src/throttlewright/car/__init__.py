"""Car: a build made ready to compute, its operating points and its torque surfaces."""
