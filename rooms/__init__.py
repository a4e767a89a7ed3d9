"""Numbers in, numbers out: halls, players, microphones and the responses between them."""
