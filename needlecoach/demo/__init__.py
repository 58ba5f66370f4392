"""A demonstration on invented data: a cohort made up, recordings simulated, every page made of them."""
