"""One bore: plan curve, profile, rods. Arrays in, arrays out."""
