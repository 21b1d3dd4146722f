"""Makes the OpenAPI document that the service ships: ``python -m openapi``."""
