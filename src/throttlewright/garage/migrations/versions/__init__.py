"""One file per version of the database."""
