"""FHIR in and out: `read` turns resources into the domain, `write` turns plans into resources."""
