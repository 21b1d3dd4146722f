"""Without the extra `supply` its tests are skipped, and what imports its tools is not collected."""

from importlib.util import find_spec

NEEDS = {"licences.py": "license_expression", "sbom.py": "cyclonedx"}
collect_ignore = [file for file, tool in NEEDS.items() if find_spec(tool) is None]
