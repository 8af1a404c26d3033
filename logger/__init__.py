"""What happens beside the truck: readings in, a recording and events out."""
