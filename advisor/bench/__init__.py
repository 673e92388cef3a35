"""The technician's job, without a screen.

Comes in: a stored case and what a person does next.
Goes out: a longer case, its advice, its words and its papers.
Decision: every change is on disk before it counts; screens ask a `Session` and hold no rule of their own.
"""
