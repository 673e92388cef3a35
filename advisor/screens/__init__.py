"""The terminal screens: they show what `bench` and `desk` work out and pass on what a person does."""
