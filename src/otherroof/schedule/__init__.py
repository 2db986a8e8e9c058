"""What is due (`due` and `plan`, pure; `chores`), and the service that sees to it: records, loop, last resort."""
