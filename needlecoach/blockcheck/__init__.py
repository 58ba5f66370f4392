"""Whether a block of gel came out well, from pictures of it: gas, texture, depth, layer lines, needle paths."""
