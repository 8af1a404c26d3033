"""Use cases beside the truck: recording."""
