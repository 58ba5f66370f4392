"""Many pictures in, one track of needle and target out."""
