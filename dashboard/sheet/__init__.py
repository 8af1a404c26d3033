"""The printed sheet of a run: the record of the test, and the placard for the truck."""
