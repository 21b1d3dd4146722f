"""What a terminal shows of an answer: words, numbers, and a plot of the model's days."""
