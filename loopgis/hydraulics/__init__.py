"""The loop as plumbing: fluids so far."""
