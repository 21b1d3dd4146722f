"""What a terminal shows of an answer. Words and numbers only; nothing is computed here."""
