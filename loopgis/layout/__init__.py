"""Many bores: pads, candidates, separation, choice, risk, score."""
