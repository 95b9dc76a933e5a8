"""Build and intent: what the car is and what the customer wants, read from text files."""
