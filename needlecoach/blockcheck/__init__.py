"""Whether a block of gel came out well, from pictures: gas, texture, depth, layer lines, needle paths."""
