"""CDS Hooks 2.0: what an EHR asks while an order is written, and the cards that it gets back."""
