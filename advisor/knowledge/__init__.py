"""What an author may write, and how it is read.

Comes in: YAML text.
Goes out: frozen objects that remember file, line and column, or every problem of form at once.
Decision: a strict core-schema reader of our own over PyYAML's events, so that `yes`, `on` and `12:30` stay
words, duplicate keys are errors, and anchors, aliases and tags are refused before anything is built.
"""
