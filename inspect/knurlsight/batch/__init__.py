"""Many parts: a tray in one photo, a folder, a list, photos as they arrive; run to the end, then summed up."""
