"""What to hang, how far out, and whether the test can be done so: pure."""
