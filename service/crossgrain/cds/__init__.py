"""CDS Hooks 3.0 and 2.0: what an EHR asks while an order is written, and the cards it gets back."""
