"""Photos that stayed on a camera's card: read in order, matched to the shots of a take, copied and landed."""
