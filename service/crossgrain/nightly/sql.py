"""The queries that decide which rows stand and which patients matter: the same on each engine.

Each step is a name and a SELECT; an engine runs them in order, and a later one may read from an
earlier one. ``every`` holds the rows of the whole run.
"""

from crossgrain.nightly.scan import DELETED, KEPT, NAMED

Step = tuple[str, str]

_GONE = f"SELECT DISTINCT kind, id FROM every WHERE role = '{DELETED}'"
_NEWER = f"""
SELECT DISTINCT kind, id FROM every
WHERE layer = 1 AND role IN ('{KEPT}', '{NAMED}') AND id <> ''
"""
_NOT_GONE = """
NOT EXISTS (SELECT 1 FROM gone WHERE gone.kind = r.kind AND gone.id = r.id)
AND NOT EXISTS (
    SELECT 1 FROM gone WHERE gone.kind = 'Patient' AND r.patient = concat('Patient/', gone.id)
)
"""
_STANDING = f"SELECT * FROM every AS r WHERE role = '{KEPT}' AND {_NOT_GONE}"
_STANDING_LAYERED = f"""
SELECT * FROM every AS r WHERE role = '{KEPT}' AND layer = 1 AND {_NOT_GONE}
UNION ALL
SELECT * FROM every AS r WHERE role = '{KEPT}' AND layer = 0 AND {_NOT_GONE}
AND NOT EXISTS (SELECT 1 FROM newer WHERE newer.kind = r.kind AND newer.id = r.id)
"""
_PRODUCTS = """
SELECT concat('Medication/', id) AS medication, bool_or(hormone) AS hormone
FROM standing WHERE kind = 'Medication' GROUP BY id
"""
_MATTERING = """
SELECT DISTINCT s.patient FROM standing AS s
LEFT JOIN products AS p ON p.medication = s.medication
WHERE s.patient <> '' AND s.kind IN ('MedicationStatement', 'MedicationRequest')
AND coalesce(p.hormone, s.hormone)
"""


def steps(*, layered: bool) -> list[Step]:
    """The steps of a run; `layered` where an export builds on a base snapshot."""
    first = [("newer", _NEWER)] if layered else []
    standing = _STANDING_LAYERED if layered else _STANDING
    return [
        *first,
        ("gone", _GONE),
        ("standing", standing),
        ("products", _PRODUCTS),
        ("mattering", _MATTERING),
    ]


TOTALS = """
SELECT
    (SELECT count(*) FROM (
        SELECT patient FROM standing WHERE kind = 'Patient'
        UNION SELECT patient FROM mattering
    )) AS patients,
    (SELECT count(*) FROM mattering) AS mattering
"""
"""How many patients there are, and how many of them the judgement looks at."""

GROUPED = """
SELECT s.bucket, s.patient, s.kind, s.id, s.layer, s.file, s.place, s.body FROM standing AS s
WHERE s.patient IN (SELECT patient FROM mattering)
AND s.medication NOT IN (SELECT medication FROM products WHERE NOT hormone)
UNION ALL
SELECT n.bucket, n.patient, m.kind, m.id, m.layer, m.file, m.place, m.body
FROM (
    SELECT DISTINCT bucket, patient, medication FROM standing
    WHERE medication <> '' AND patient IN (SELECT patient FROM mattering)
) AS n
JOIN standing AS m ON m.kind = 'Medication' AND n.medication = concat('Medication/', m.id)
WHERE m.hormone
"""
"""The rows of the patients that matter, each with the Medications that it refers to."""
