"""The nightly screening on a Spark cluster: what spark-submit runs.

    spark-submit --master spark://spark.clinic.example:7077 docker/nightly-spark.py \\
        /srv/export --out /srv/flags --as-of 2025-03-03

The options are those of ``crossgrain screen``, and the exit codes its own. The package and its
extra ``spark`` are installed on each machine, PYSPARK_PYTHON names the Python that has them, and
the export lies under the same path everywhere; --out is the driver's alone.
"""

import sys

from crossgrain.cli import main

sys.argv[1:1] = ["screen", "--engine", "spark"]
main()
