"""The terminal screens: they show what `session` says and hand on what a person does."""
