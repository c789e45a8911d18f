"""The page to work with: a session that holds a take and answers what the page asks, and the server that carries it.

What a survey and a solve are is handed in by the step; nothing here decides anything of its own. Imports finding's and
the solver's results, report and words.
"""
