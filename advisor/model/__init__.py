"""Knowledge as a Bayesian network.

Comes in: checked knowledge, one of its complaints, and the repairs that were done.
Goes out: the network's tables.
Decision: shares such as "of 100 such cars, 12" give exact independent priors, so that the network returns
the author's own numbers; tables go straight to the engine, and the pgmpy model of them is made only when
asked for.
"""
