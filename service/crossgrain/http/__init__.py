"""The HTTP service: FHIR operations over the pure core."""
