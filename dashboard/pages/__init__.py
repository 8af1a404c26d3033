"""Layout and thin callbacks, a module for each page."""
