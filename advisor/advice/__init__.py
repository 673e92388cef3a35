"""What to do next.

Comes in: knowledge, a case, and the engine that weighs it.
Goes out: ranked readings, stops, plans and remedies.
Decision: pure functions of one case; no clock, no files and no screen, so that a fresh process says the
same.
"""
