"""What stands below everything: identity, FHIR versions, decimals, the extension's fields."""
