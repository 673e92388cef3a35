"""The technician's screens.

`task.py` is the bench itself. `card.py` (the task) and `story.py` (trail and picture of suspicion) write its
text; `job.py` is the base class for a screen on a shared job. Screens and questions above it: `new.py` (a new
job), `number.py` (a number on the card), `entry.py` (several numbers), `questions.py` (what is asked before
an entry), `cautions.py`, `repairs.py`, `cause.py` (a cause not among the leading ones), `changed.py`
(knowledge newer than the job), `account.py` (the draw), `trolley.py` (the instruments), `lookahead.py` (the
best readings played out), `jobcard.py`.
"""
