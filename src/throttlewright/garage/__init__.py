"""Keeping: cars with their builds, intents, calibrations, recordings and verdicts, and history."""
