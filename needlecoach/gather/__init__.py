"""Results folders and tables of attempts of a whole cohort -> one table of attempts; see `together.py`."""
