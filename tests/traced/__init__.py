"""Takes with path-traced light: an invented room, lamps and a slightly glossy card, the diffuse light known."""
