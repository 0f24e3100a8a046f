"""More than one look at a part: repeats, photos of it turned by steps, a film of it turning, a sample."""
