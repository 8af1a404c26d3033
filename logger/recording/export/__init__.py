"""Runs written for other programs: CSV, XLSX, MAT and Parquet."""
