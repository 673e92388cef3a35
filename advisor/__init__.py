"""A Bayesian fault-tree diagnostic advisor for light-vehicle workshops.

Packages, lowest first; each imports only from those above it (pyproject.toml holds it):

inference            exact inference on discrete networks; knows no car
knowledge            what an author may write, and reading it
measure, papers      numbers with units and uncertainty; setting pages
model                knowledge as a Bayesian network
case                 one vehicle's job as entries
store, checks        cases on disk; whether what is written is sound
advice               what to do next
simulate, learning   jobs played on simulated cars; what closed jobs say
bench, desk          the technician's job and the service desk's call, without a screen
evaluation           how good the advice is
screens, web         the terminal screens, and the same in browsers
cli                  the commands
"""
