"""Find the knurled part in a photo: fine contrast, two silhouette lines, is it round, is it a knurl at all."""
