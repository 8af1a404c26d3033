"""Many runs at once: analysis on several workers, and sealed runs put together for storage."""
