"""Resources to domain. What cannot be read with certainty becomes a question."""
