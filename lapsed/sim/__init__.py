"""A simulated host with a simulated machine under it, for the demo and the tests; nothing else may import it."""
