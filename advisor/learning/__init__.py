"""What closed jobs say about the knowledge.

Comes in: closed cases.
Goes out: revised shares and likelihoods with intervals, as a proposal, and a track record.
Decision: it proposes and never edits; only jobs with a confirmed and listed cause count.
"""
