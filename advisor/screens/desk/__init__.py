"""The service desk's screens."""
