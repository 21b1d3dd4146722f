"""The service with other bounds of a connection, which no deployment can set.

``python bounded.py '{"header_seconds": 0.6}' crossgrain serve …``
"""

import json
import sys
from pathlib import Path

from crossgrain.cli import main
from crossgrain.http import connections


def bounded(**bounds: float) -> tuple[str, ...]:
    """What stands before the command, to run it in one process within these bounds."""
    return sys.executable, str(Path(__file__)), json.dumps(bounds)


if __name__ == "__main__":
    connections.BOUNDS = connections.Bounds(**json.loads(sys.argv[1]))
    sys.argv = sys.argv[2:]
    main()
