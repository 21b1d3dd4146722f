"""What the service says of itself in FHIR: generated from the tables that it works by."""
