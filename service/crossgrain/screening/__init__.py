"""One patient's past changes of preparation, judged: pure, days counted from the day of reading."""
