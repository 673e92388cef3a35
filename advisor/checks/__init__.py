"""Is what was written sound?

Comes in: knowledge that could be read.
Goes out: problems with file, line, code, what is wrong and what would be right.
Decision: three stages, each only where the one before found no error: references, consistency, and
informativeness, which needs the compiled networks. One check is one function with one code.
"""
