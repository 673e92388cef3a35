"""Numbers with their units and uncertainties.

Comes in: what a person types, readings of instruments, names of formulas.
Goes out: estimates in known units.
Decision: a number is an estimate with a standard uncertainty (JCGM 100) from the start, and formulas pass
it on, so that a clamp meter's zero error is weighed near a limit instead of being forgotten there.
"""
