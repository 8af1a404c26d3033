"""A recorded run sent again, as the bytes that its sensors sent."""
