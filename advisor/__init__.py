"""A Bayesian fault-tree diagnostic advisor for light-vehicle workshops.

The modules, lowest first; each may import only from those before it (pyproject.toml holds it):

problems    a place in a file and what is wrong there
units       quantities as people type them
tables      conditional probability tables by name
likelihoods the ways authors say how likely something is, and how causes combine
derived     quantities that are computed, by name, with their uncertainty
knowledge   what an author may say, as frozen objects
loading     YAML text to knowledge, or every problem with its line
priors      "of 100 such cars, so many" to independent priors
references  does everything that is named exist
plausible   do numbers and words make sense together
lint        questions about the whole knowledge, in their order
evidence    a number and its instrument as a likelihood over bands
network     a complaint as tables and as a pgmpy model; open formats
engine      exact inference by one compiled junction tree
case        one vehicle's job
conflict    readings that disagree
advice      what to read next, why, and when to stop
review      questions about the knowledge that need its networks
account     the account of a draw
entry       what a person types for a reading, understood
report      a case and its advice as text for people
draw        a tree as a picture
store       cases in a database, append-only
simulation  scenario files played to the end
session     a case on the bench: what the screens ask for and may do
screens     the terminal screens
cli         the commands
"""
