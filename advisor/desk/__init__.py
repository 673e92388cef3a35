"""The service desk's call, without a screen.

Comes in: what a caller says.
Goes out: complaints, the next question, and a booking sheet.
Decision: what a customer says on the phone is a leaf of its own beside the reading, so that the information
counted is that of the weaker answer, and the bench goes on with the same case.
"""
