"""``python -m dashboard``: the console command where its script is not on the path."""

from dashboard.cli import main

main()
