"""Read the ink print of a knurling wheel: the paper as a flat picture in mm, then its lines."""
