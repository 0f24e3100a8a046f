"""Measure one part: its surface rolled out, lines found (Fourier, Hough), the model fitted to what each pixel sees.

Outline + scale -> measure.measure_part -> Pattern
"""
