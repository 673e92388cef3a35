"""Exact inference on discrete networks; it knows nothing of cars.

Comes in: a network of conditional probability tables, its target nodes, and evidence as likelihoods.
Goes out: the posterior of every node and the expected information of every reading, all from one
calibration.
Decision: one junction tree whose cliques list only the configurations that can be, because asking a general
engine once for each reading and outcome is hundreds to thousands of times slower; bounds where a tree is
too wide.
"""
