"""What is being recorded now, as a page shows it."""
