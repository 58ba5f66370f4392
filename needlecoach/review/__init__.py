"""The pages on this machine: a small local server, through which a person marks and corrects."""
