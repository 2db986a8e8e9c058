"""What is due (`due` and `plan`, pure; `chores`), and the service that sees to it.

That is its records, the job runner, the loop, and the last resort.
"""
