"""The setup and what follows from it: setup file in, expected pattern and limits out. No photo is needed for any of it.

TOML -> setup.read_setup -> Setup -> expected.expected_pattern -> ExpectedPattern; limits.limits_for -> Limits
"""
