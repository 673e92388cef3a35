"""Cases on disk, in SQLite or PostgreSQL.

Comes in: entries.
Goes out: stored cases, or an error that says what happened, what was kept and what to do.
Decision: append-only rows with the key (case, step), so that two benches can never overwrite each other,
and every value is checked when it is read, so that one damaged job stops nothing else.
"""
