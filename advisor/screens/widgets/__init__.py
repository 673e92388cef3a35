"""Widgets and screens that bench and desk share; they import neither."""
