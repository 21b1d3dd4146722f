"""What thyroid hormones are called, and what looks as if it were one of them.

The names are the international ones (English, French, Spanish and Latin by the WHO's lists of
international nonproprietary names) and, from memory, their forms in the other common European
languages. A product's own name is known only through a clinic's file. Names are looked for in
folded words: without case, accents or joints that cannot be seen.
"""

import re
import unicodedata

from crossgrain.dosing.preparations import Kind

_LETTERS = str.maketrans(
    {
        "ø": "o", "ł": "l", "đ": "d", "ð": "d", "ı": "i", "æ": "ae", "œ": "oe",
        "\u2010": "-", "\u2011": "-", "\u2012": "-", "\u2013": "-", "\u2014": "-", "\u2212": "-",
        "\u00a0": " ", "\u202f": " ", "\u2019": "'", "\u02bc": "'",
    }
)  # fmt: skip
"""Letters that no accent was put on, and the other signs for a hyphen and a space."""
_UNSEEN = {"Mn", "Cf"}
"""Accents once taken apart, soft hyphens, joiners."""


def folded(words: str) -> str:
    """Without case, accents (composed or not) and what cannot be seen.

    >>> folded("L\u00c9VOTHYROXINE"), folded("le\u0301vo\u00adthyroxine"), folded("\u00bd \u00b5g")
    ('levothyroxine', 'levothyroxine', '½ μg')
    """
    lower = words.casefold()
    if lower.isascii():
        return lower
    apart = unicodedata.normalize("NFD", lower.translate(_LETTERS))
    return "".join(sign for sign in apart if unicodedata.category(sign) not in _UNSEEN)


_END = r"(?:um|u|e|as?|s|i|ini?|y)?(?:natri(?:um|j|y)?|naatrium)?(?![^\W\d_])"
"""The endings of a language, and the salt where it is written in one word."""
_ALONE = r"(?<![^\W\d_])(?<!d-)(?<!dl-)(?<!dextro[ -])"
"""No part of a longer word, nor the mirror image of the hormone."""
_T4 = (
    rf"{_ALONE}(?:le[vw]o[ -]?|l[ -]?)?t[hj]?[yiu]ro(?:x|ks)[iy]{{1,2}}n{_END}|"
    rf"{_ALONE}l[ -]?t4\b|(?:левот|т)ироксин|(?:λεβοθ|θ)υροξιν"
)
_T3 = (
    rf"{_ALONE}(?:lio|leo)[ -]?t[hj]?[yi]re?on[iy]{{1,2}}n{_END}|"
    rf"(?<!reverse ){_ALONE}tri[ -]?[ijy]o?do?[ -]?(?:l[ -]?)?t[hj]?[yi]re?on[iy]{{1,2}}n{_END}|"
    rf"{_ALONE}l[ -]?t3\b|(?:ли|трий)о[дт]?о?тиронин|λιοθυρονιν"
)
_GLAND = (
    r"(?:desiccated|porcine|pork|natural) thyroid|thyroid,? desiccated|"
    r"thyroid \(?(?:usp|pork|porcine|extract|gland|tabs?|tablets?|oral)\b|"
    r"thyroid,? (?:usp|pork|porcine)|thyroid(?=,? \.?\d)|\bgrains? (?:of )?thyroid|"
    r"mg thyroid\b|thyroideum|^thyroid$|"
    r"gland\w* thyre?oid\w*|thyre?oid(?:ea|eum|um) sicc\w*|"  # Latin
    r"schilddrue?sen?-?(?:trocken)?-?(?:extrakt|pulver)|getrocknete schilddrue?se|"  # German
    r"schildklier-?(?:extract|poeder)|gedroogde? (?:varkens)?schildklier|"  # Dutch
    r"thyroide (?:dessech|porcin|en poudre)|extraits? (?:thyroidien|de (?:glande )?thyroide)|"
    r"poudre de thyroide|"  # French
    r"tiroides (?:desecad|porcin|en polvo)|extracto (?:de )?tiroid|polvo de tiroides|"  # Spanish
    r"tire?oide (?:d[ei]ss?ecad|suin|em po)|extrato (?:de )?tire?oid|"  # Portuguese
    r"tiroide (?:secca|essiccata|suina)|estratt[oi] (?:di tiroide|tiroide[oi])|"  # Italian
    r"skoldkortel-?(?:extrakt|pulver)|torkad skoldkortel|"  # Swedish
    r"skjoldbruskkj?[ie]rte[ln]-?(?:ekstrakt|pulver)|torr?et skjoldbrusk|"  # Danish, Norwegian
    r"kilpirauhas(?:uute|jauhe)|"  # Finnish
    r"wyciag z tarczycy|suszona tarczyca|"  # Polish
    r"(?:vytazek|extrakt) ze stitne zlazy|susena stitna zlaza"  # Czech
)
_NAMES = (
    (Kind.LEVOTHYROXINE, re.compile(_T4)),
    (Kind.LIOTHYRONINE, re.compile(_T3)),
    (Kind.DESICCATED_THYROID, re.compile(_GLAND)),
    (Kind.FIXED_RATIO, re.compile(r"\bliotrix\b")),
)
_HINT = re.compile(
    r"thyr|throid|thyox|tiro(?:[xik]|n|sin(?![aeo]?\b))|tireoi|tyre?o(?:[xkin]|id)|turoks|"
    r"\b[ld]?[ -]?t[34]\b|liotrix|tiratricol|\btriac\b|"
    r"schilddr|schildklier|skoldkort|skjoldbrusk|kilpirauha|tarczyc|\bstitn|pajzsmirigy|"
    r"тирокс|тирони|тиреои|щитовид|щитоподибн|θυροξ|θυρονι|θυρεοειδ"
)
"""Every name above matches it; most medicines do not, and cost one search."""
_NOT_HORMONE = re.compile(
    r"(?:anti|hyper|hiper|\biper|para)[ -]?(?:thyr|tyr|tir)\w*|thyre?o?stat\w*|"
    r"(?:th?yre?o|tire?o)trop\w*(?: alfa)?|thyroliberin|"
    r"thyroid[ -]stimulating(?: hormone)?|thyroxine?[ -]binding|"
    r"thyroid (?:peroxidase|eye|uptake|scan|imaging|ablation|cancer|carcinoma)\w*"
)
"""Words about the thyroid that name no hormone of it: antithyroid drugs, thyrotropin, tests."""

_OFTEN = (
    "levothyroxine", "levothyroxin", "levothyroxinum", "levotiroxina", "levotyroxin",
    "levotyroksin", "levotyroksiini", "levotiroksin", "lewotyroksyna", "thyroxine", "thyroxin",
    "tiroxina", "tyroxin", "tyroksyna", "liothyronine", "liothyronin", "liothyroninum",
    "liotironina", "liotyronin", "liotyronina", "liotyroniini", "liotironin", "triiodothyronine",
    "trijodthyronin", "triyodotironina", "trijodotyronina", "thyroid", "thyroideum", "tiroides",
    "iodothyronine", "tireoide", "schilddrusenextrakt", "schilddruesenextrakt",
    "schildklierextract", "skoldkortelextrakt", "skjoldbruskkirtelekstrakt",
    "skjoldbruskkjertelekstrakt",
)  # fmt: skip
_SALT = re.compile(r"na?atri\w*$")
_WORD = re.compile(r"[^\W\d_]{6,}")
_OTHER_WORDS = {"tirosina", "tirosin", "tyrosin"}
"""One letter off a hormone, and the name of something else: tyrosine."""


def _shortened(word: str) -> set[str]:
    return {word[:at] + word[at + 1 :] for at in range(len(word))}


_ALMOST = frozenset(_OFTEN).union(*map(_shortened, _OFTEN))


def kinds_named(plain: str) -> frozenset[Kind]:
    """The hormones that folded words name."""
    rest = _NOT_HORMONE.sub(" ", plain)
    return frozenset(kind for kind, name in _NAMES if name.search(rest))


def looks_like_hormone(words: str) -> bool:
    """Whether folded words hold what thyroid hormones are called, or one letter off it.

    >>> [looks_like_hormone(w) for w in ("levothyroxine", "levtohroxine", "levohtyroxine 50")]
    [True, False, True]
    >>> [looks_like_hormone(w) for w in ("metformin", "thyrotropin alfa", "antithyroid agent")]
    [False, False, False]
    """
    if _HINT.search(words):
        return bool(_HINT.search(_NOT_HORMONE.sub(" ", words)))
    return any(map(_is_almost_a_name, _WORD.findall(words)))


def _is_almost_a_name(word: str) -> bool:
    """Whether a letter left out, put in, changed or moved makes it the name of a hormone."""
    if word in _OTHER_WORDS:
        return False
    word = _SALT.sub("", word)
    return word in _ALMOST or not _ALMOST.isdisjoint(_shortened(word))


_SALT_OR_SORT = re.compile(
    r"\b(?:sodium|sodique|sodi[ck][ao]m?|natri(?:um|co)?|anhydr\w*|wasserfrei|(?:mono|penta)?hydrat\w*|"
    r"n?-?wasser|hydrochlorid\w*|desiccated|porcine|pork|powder|extract|gland|usp|ph ?eur|bp|x)\b"
)
"""Salts, waters and sorts of a hormone: from memory."""
_NOT_A_WORD = re.compile(r"[\W\d_]+")


def names_alone(plain: str) -> bool:
    """Whether folded words name a hormone and, beside its salt, nothing else.

    >>> names_alone("levothyroxine sodium"), names_alone("levothyroxine and biotin")
    (True, False)
    """
    if not kinds_named(plain):
        return False
    for _, name in _NAMES:
        plain = name.sub(" ", plain)
    return not _NOT_A_WORD.sub("", _SALT_OR_SORT.sub(" ", plain))


_FOR_THYROID = re.compile(
    r"\b(?:for|fur|gegen|wegen|bei|pour|para|per|voor|mot|till?|za|na)\b[^.;:]{0,25}"
    r"(?<!anti)(?<!hyper)(?<!hiper)(?<!iper)(?<!para)"
    r"(?:thyroid(?! (?:eye|cancer))|thyreo|schilddrus|schildklier|tiroid|tireoid|tyreo|"
    r"skoldkort|skjoldbrusk|sto(?:f|ff)skift|tarczyc|stitn)"
)


def is_for_thyroid(words: str) -> bool:
    """Whether an instruction says that the medicine is taken for the thyroid.

    >>> is_for_thyroid("1 tablet daily for thyroid"), is_for_thyroid("4 hours from thyroid pill")
    (True, False)
    """
    return bool(_FOR_THYROID.search(folded(words)))
