"""What needs mutmut is run by hand, not collected."""

collect_ignore = ["drawn.py", "rooms.py", "run.py", "score.py"]
