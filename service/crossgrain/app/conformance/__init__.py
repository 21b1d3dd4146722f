"""What the service says of itself in FHIR: generated from the tables it runs on."""
