"""One product of desiccated thyroid in place of another: the old ends and the new begins that day.

Between the two grain families, or between two products of one family, nothing climbs: as many
labelled grains are taken as before. A chart has no say in it, so there is no aim and no ladder but
today's dose; what the plan adds is the date, the tablets, and the labs that show what the labels
do not.
"""

from fractions import Fraction

from crossgrain.dosing.preparations import Kind, Preparation
from crossgrain.dosing.regimens import Regimen
from crossgrain.dosing.tablets import nearest_doses
from crossgrain.dosing.targets import DESICCATED_TARGETS, TARGET_OF, Target
from crossgrain.names.errors import Category, DomainError
from crossgrain.names.printing import in_grains, quantity
from crossgrain.names.values import frozen


@frozen
class Exchange:
    """A move between products.

    Attributes
    ----------
    old : what is taken now, by product, mg a day
    new, new_mg : the product line that takes its place, and how much of it a day
    grains : today's dose in labelled grains
    """

    old: tuple[tuple[Preparation, Fraction], ...]
    new: Preparation
    new_mg: Fraction
    grains: Fraction

    @property
    def ended(self) -> frozenset[str]:
        """The product lines whose present supply ends, by id."""
        return frozenset(product.id for product, _ in self.old)

    @property
    def within_family(self) -> bool:
        """Whether a grain has as many mg before and after."""
        return all(product.id == self.new.id for product, _ in self.old)

    @property
    def by_label(self) -> Fraction:
        """New over old in labelled grains: never above 1."""
        return self.new.grains(self.new_mg) / self.grains

    @property
    def by_weight(self) -> Fraction:
        """New over old in mg: what the hormone would do if its content went by weight."""
        return self.new_mg / sum((mg for _, mg in self.old), Fraction(0))


def exchange_in(
    regimen: Regimen, target: Target, family: Preparation, lowest: Fraction, *, another: bool
) -> Exchange | None:
    """The exchange that a move to `target` in tablets of `family` is, or ``None``.

    The new dose is the orderable one nearest to today's labelled grains that is not above them.

    Parameters
    ----------
    regimen : what is taken now
    target : what is to be taken
    family : the product line that is to be dispensed
    lowest : the least that the new dose may be, as a part of today's labelled grains
    another : whether another product is asked for, where the family stays

    Raises
    ------
    DomainError
        field ``desiccated-family`` or ``another-product``, where more than the product would
        change at once; ``stock``, where no tablets make such a dose.
    """
    taken = _desiccated(regimen)
    moves = bool(taken) and (another or any(product.id != family.id for product, _ in taken))
    if target not in DESICCATED_TARGETS or not moves:
        if another:
            raise _more_than_the_product("another-product")
        return None
    if TARGET_OF.get(regimen.kinds) is not target:
        raise _more_than_the_product("another-product" if another else "desiccated-family")
    return Exchange(taken, family, _dose(family, regimen.grains, lowest), regimen.grains)


def _desiccated(regimen: Regimen) -> tuple[tuple[Preparation, Fraction], ...]:
    """What is taken of it now, by product."""
    lines = [ln for ln in regimen if ln.preparation.kind is Kind.DESICCATED_THYROID and ln.daily]
    products = {line.preparation.id: line.preparation for line in lines}
    return tuple(
        (product, sum((ln.daily for ln in lines if ln.preparation.id == key), Fraction(0)))
        for key, product in products.items()
    )


def _dose(family: Preparation, grains: Fraction, lowest: Fraction) -> Fraction:
    near = nearest_doses(family, grains * (family.mg_per_grain or 0), Fraction(0))
    dose = near.within or near.below
    if dose is None or family.grains(dose) < lowest * grains:
        around = " and ".join(quantity(mg, "mg") for mg in (near.below, near.above) if mg)
        raise DomainError(
            Category.OUT_OF_RANGE,
            "stock",
            f"no tablets of {family.name} come near enough to {in_grains(grains)} without"
            f" passing them; the nearest doses are {around or 'none'}",
        )
    return dose


def _more_than_the_product(field: str) -> DomainError:
    return DomainError(
        Category.CONFLICT,
        field,
        "a move to another product of desiccated thyroid, or to its other grain family, changes"
        " nothing else: name what is taken now as the target, and make any other move after it",
    )
