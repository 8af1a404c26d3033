"""Which version of the method made a result; apart, so that to ask it loads nothing else."""

METHOD_VERSION = "4"
"""Changes whenever the same recording may give another result."""
