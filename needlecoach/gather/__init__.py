"""Results folders and tables of attempts of a whole cohort -> one table of attempts."""

from needlecoach.gather.together import Gathered, gather

__all__ = ["Gathered", "gather"]
