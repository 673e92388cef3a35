"""One vehicle's job as a list of entries.

Comes in: what a person saw, measured, did or took back.
Goes out: what counts now, and the evidence of it.
Decision: entries are only ever appended, and taking back is an entry too, so that the record of what was
first said survives and undoing any step is the same as undoing the last one.
"""
