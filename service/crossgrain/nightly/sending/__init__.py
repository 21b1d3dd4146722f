"""What a run found, filed on a FHIR server: in transactions, once however often it is sent."""
