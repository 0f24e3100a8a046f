"""Photo to millimetres: cameras, cards, rules, pins and cylinders. Knows nothing of what is measured."""
