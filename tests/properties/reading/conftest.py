"""The fuzzer is a command, and imports what need not be installed: no tests stand in it."""

collect_ignore = ["fuzz.py"]
