"""Inspections handed on: reports, open formats, comparisons and trends, each a plain function from results to bytes.

Nothing here opens a store or reads a file; what is needed of a record is handed in as `inspected.Inspected`.
"""
