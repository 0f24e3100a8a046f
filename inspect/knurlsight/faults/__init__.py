"""What is wrong with a surface, where, why, and what to change: maps against the fitted model, then causes."""
