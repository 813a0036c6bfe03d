"""`python -m linectl.cli`: the command line without its script, as one process starts another."""

from linectl.cli import main

main()
