"""The screens in browsers, one process for each page.

Comes in: requests from the workshop's own browsers.
Goes out: the same program as in a terminal.
Decision: a page that fails ends alone; nobody gets in without a token, and nothing is loaded from outside.
"""
