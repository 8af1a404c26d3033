"""The test file as a form: its fields, its text as TOML, its mistakes: pure."""
