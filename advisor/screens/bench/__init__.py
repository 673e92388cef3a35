"""The technician's screens.

`task.py` is the bench itself; `card.py` (the task on it) and `story.py` (trail and picture of suspicion) put
its words together; `job.py` is what it shares with other screens on a job. These open above it: `new.py` a
job, `entry.py` a number, `questions.py` what is asked before an answer counts, `cautions.py`, `repairs.py`,
`cause.py` (another cause than those listed), `changed.py` (knowledge newer than the job), `account.py` the
draw, `trolley.py` the instruments, `lookahead.py` the best readings played out, `jobcard.py` the papers.
"""
