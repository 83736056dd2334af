"""How sure k cures in n tries make us: intervals, posteriors and effective counts.

Everything here is plain arithmetic on numbers; nothing is read or stored. Counts may be fractions,
because similar cases count with a weight between 0 and 1. Only the standard library is used, since
these functions run for every fix of every answer.

Sources: Wilson 1927; Newcombe 1998, Stat Med 17:857-872 (methods 3, 4, 5); Kish 1965, Survey Sampling;
DLMF 8.17.22 for the continued fraction of the incomplete beta function.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from typing import NamedTuple

LEVEL = 0.95
Z_95 = 1.959963984540054
_TINY = 1e-300
_STEPS = 20_000


class Interval(NamedTuple):
    """A two-sided interval of a chance; 0 <= low <= high <= 1."""

    low: float
    high: float

    @property
    def width(self) -> float:
        return self.high - self.low


def check_chance(value: float, field: str = "chance") -> float:
    """`value` if it is a number from 0 to 1; else ValueError with the field and what is allowed."""
    if not 0.0 <= value <= 1.0:
        raise ValueError(f"{field}: {value:g} is not allowed; give a number from 0 to 1")
    return float(value)


def check_amount(value: float, field: str) -> float:
    """`value` if it is finite and not negative (money, minutes); else ValueError with the field."""
    if not (value >= 0.0 and math.isfinite(value)):
        raise ValueError(f"{field}: {value:g} is not allowed; give a number that is not negative")
    return float(value)


def _check_counts(k: float, n: float, level: float) -> None:
    check_amount(n, "n")
    if not -1e-9 <= k <= n * (1 + 1e-9) + 1e-9:
        raise ValueError(f"k: {k:g} is not allowed; give a number from 0 to n ({n:g})")
    if not 0.0 < level < 1.0:
        raise ValueError(f"level: {level:g} is not allowed; give a number between 0 and 1")


def wilson(k: float, n: float, level: float = LEVEL, *, corrected: bool = False) -> Interval:
    """Wilson's score interval for k of n; with `corrected`, the continuity correction.

    k, n: counts, fractions allowed, 0 <= k <= n. n = 0 gives (0, 1): nothing is known.
    Raises ValueError on counts or a level outside their range.
    Source: Wilson 1927; Newcombe 1998, methods 3 and 4.
    """
    _check_counts(k, n, level)
    if n <= 0:
        return Interval(0.0, 1.0)
    z = _two_sided_z(level)
    p = min(max(k / n, 0.0), 1.0)
    if corrected:
        return _wilson_corrected(p, n, z)
    # Wilson's formula multiplied through by n, so that next to nothing counted divides by no nought.
    middle = n * p + z * z / 2
    half = z * math.sqrt(n * p * (1 - p) + z * z / 4)
    scale = n + z * z
    low = 0.0 if p == 0 else (middle - half) / scale
    high = 1.0 if p == 1 else (middle + half) / scale
    return Interval(max(low, 0.0), min(high, 1.0))


def _two_sided_z(level: float) -> float:
    """The normal quantile that leaves (1 - level) / 2 on each side."""
    if level == LEVEL:
        return Z_95
    from statistics import NormalDist  # rarely needed, and slow to load

    return NormalDist().inv_cdf(0.5 + level / 2)


def _wilson_corrected(p: float, n: float, z: float) -> Interval:
    q = 1 - p
    scale = 2 * (n + z * z)
    # Below one effective case the root of the corrected form may turn negative: it is then cut at nought.
    root_low = math.sqrt(max(z * z - 2 - 1 / n + 4 * p * (n * q + 1), 0.0))
    root_high = math.sqrt(max(z * z + 2 - 1 / n + 4 * p * (n * q - 1), 0.0))
    low = 0.0 if p == 0 else (2 * n * p + z * z - 1 - z * root_low) / scale
    high = 1.0 if p == 1 else (2 * n * p + z * z + 1 + z * root_high) / scale
    return Interval(min(max(low, 0.0), p), max(min(high, 1.0), p))


def clopper_pearson(k: float, n: float, level: float = LEVEL) -> Interval:
    """The exact (tail-area) interval for k of n. Source: Newcombe 1998, method 5.

    Same ranges and errors as `wilson`.
    """
    _check_counts(k, n, level)
    tail = (1 - level) / 2
    low = 0.0 if k <= 0 else beta_quantile(tail, k, n - k + 1)
    high = 1.0 if k >= n else beta_quantile(1 - tail, k + 1, n - k)
    return Interval(low, high)


def jeffreys(k: float, n: float, level: float = LEVEL) -> Interval:
    """The equal-tailed interval of Beta(k + 1/2, n - k + 1/2). Same ranges and errors as `wilson`."""
    _check_counts(k, n, level)
    return BetaPosterior(max(k, 0.0) + 0.5, max(n - k, 0.0) + 0.5).interval(level)


def beta_cdf(x: float, a: float, b: float) -> float:
    """The regularised incomplete beta function I_x(a, b), for a, b > 0; x is cut to 0..1."""
    if a <= 0 or b <= 0:
        raise ValueError(f"a, b: {a:g}, {b:g} are not allowed; both must be above 0")
    if x <= 0:
        return 0.0
    if x >= 1:
        return 1.0
    log_front = a * math.log(x) + b * math.log1p(-x) - _log_beta(a, b)
    # The fraction converges fast only on the near side of the mean; the other side is its mirror.
    if x < (a + 1) / (a + b + 2):
        return math.exp(log_front) * _beta_fraction(x, a, b) / a
    return 1.0 - math.exp(log_front) * _beta_fraction(1 - x, b, a) / b


def _log_beta(a: float, b: float) -> float:
    return math.lgamma(a) + math.lgamma(b) - math.lgamma(a + b)


def _beta_fraction(x: float, a: float, b: float) -> float:
    """The continued fraction DLMF 8.17.22, evaluated by the modified Lentz method."""
    c = 1.0
    d = 1.0 - (a + b) * x / (a + 1)
    d = 1.0 / (d if abs(d) > _TINY else _TINY)
    value = d
    for m in range(1, _STEPS):
        for numerator in (
            m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m)),
            -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1)),
        ):
            d = 1.0 + numerator * d
            c = 1.0 + numerator / c
            d = 1.0 / (d if abs(d) > _TINY else _TINY)
            c = c if abs(c) > _TINY else _TINY
            value *= c * d
        if abs(c * d - 1.0) < 1e-15:
            break
    return value


def beta_quantile(p: float, a: float, b: float) -> float:
    """x with I_x(a, b) = p, to about 1e-12; 0 <= p <= 1, a, b > 0.

    Newton steps inside a bracket that shrinks each time, halving it whenever Newton would leave it.
    """
    check_chance(p, "p")
    if a <= 0 or b <= 0:
        raise ValueError(f"a, b: {a:g}, {b:g} are not allowed; both must be above 0")
    if p in (0.0, 1.0):
        return p
    low, high, x = 0.0, 1.0, a / (a + b)
    log_beta = _log_beta(a, b)
    for _ in range(200):
        miss = beta_cdf(x, a, b) - p
        low, high = (low, x) if miss > 0 else (x, high)
        slope = math.exp((a - 1) * math.log(x) + (b - 1) * math.log1p(-x) - log_beta)
        step = x - miss / slope if slope > 0 else -1.0
        following = step if low < step < high else (low + high) / 2
        if abs(following - x) <= 1e-14 * x or not 0.0 < following < 1.0:
            return following
        x = following
    return x


@dataclass(frozen=True, slots=True)
class BetaPosterior:
    """What is believed of a chance after counting: Beta(a, b), a and b above 0."""

    a: float
    b: float

    def __post_init__(self) -> None:
        if not (self.a > 0 and self.b > 0):
            raise ValueError(f"a, b: {self.a:g}, {self.b:g} are not allowed; both must be above 0")

    @classmethod
    def counted(cls, k: float, n: float, prior_mean: float = 0.5, strength: float = 2.0) -> BetaPosterior:
        """k of n on top of a prior worth `strength` cases with mean `prior_mean` (0..1).

        The default is the uniform prior Beta(1, 1). The prior mean is usually the same fix on any
        machine of the class. Raises ValueError on values outside their range.
        """
        _check_counts(k, n, LEVEL)
        check_chance(prior_mean, "prior_mean")
        check_amount(strength, "strength")
        # A prior of exactly 0 or 1 would be beyond correction by any number of cases.
        mean = min(max(prior_mean, 1e-6), 1 - 1e-6)
        return cls(strength * mean + k, strength * (1 - mean) + max(n - k, 0.0))

    @property
    def mean(self) -> float:
        """Also the chance that it works on the next job (posterior predictive)."""
        return self.a / (self.a + self.b)

    def quantile(self, p: float) -> float:
        return beta_quantile(p, self.a, self.b)

    def interval(self, level: float = LEVEL) -> Interval:
        """The equal-tailed interval holding `level` of the belief."""
        _check_counts(0, 0, level)
        tail = (1 - level) / 2
        return Interval(self.quantile(tail), self.quantile(1 - tail))

    def updated(self, k: float, n: float) -> BetaPosterior:
        """After k more of n more tries."""
        _check_counts(k, n, LEVEL)
        return BetaPosterior(self.a + k, self.b + n - k)


def prob_better(first: BetaPosterior, second: BetaPosterior) -> float:
    """P(the chance behind `first` is higher than the one behind `second`), to about 1e-9.

    The density of the narrower one times the distribution function of the other, summed by the
    trapezium rule on the log-odds scale, where both tails die away exponentially. Works for
    fractional parameters, which the closed form does not.
    """
    widths = [math.sqrt((q.a + q.b) / (q.a * q.b)) for q in (first, second)]
    if widths[0] > widths[1]:
        return 1.0 - prob_better(second, first)
    a, b, width = first.a, first.b, widths[0]
    centre, step = math.log(a / b), min(width / 4, 0.25)
    below = math.ceil(max(12 * width, 40 / a) / step)
    above = math.ceil(max(12 * width, 40 / b) / step)
    log_beta, total = _log_beta(a, b), 0.0
    for i in range(-below, above + 1):
        odds = centre + i * step
        # log x and log(1 - x) straight from the log-odds, so that neither end loses digits.
        log_x = -math.log1p(math.exp(-odds)) if odds > -700 else odds
        log_rest = log_x - odds
        density = math.exp(a * log_x + b * log_rest - log_beta)
        if density > 1e-18:
            total += density * beta_cdf(math.exp(log_x), second.a, second.b)
    return min(max(total * step, 0.0), 1.0)


def kish(weights: Sequence[float]) -> float:
    """How many equally weighted cases the weights are worth: (sum w)^2 / sum w^2.

    Weights are not negative; none, or only noughts, give 0. Source: Kish 1965.
    """
    squares = math.fsum(w * w for w in weights)
    return math.fsum(weights) ** 2 / squares if squares > 0 else 0.0


class Evidence(NamedTuple):
    """Weighted evidence for one chance.

    share: weighted share of successes (None without weight); n_eff: Kish's size; n_rel: the sum of the
    weights, because five hardly similar cases are equal among themselves and still say little.
    """

    share: float | None
    n_eff: float
    n_rel: float

    @property
    def n(self) -> float:
        """The number of cases the evidence is worth: the smaller of both."""
        return min(self.n_eff, self.n_rel)

    @property
    def k(self) -> float:
        """The successes among `n`."""
        return 0.0 if self.share is None else self.share * self.n

    def interval(self, level: float = LEVEL) -> Interval:
        """Wilson's interval of the chance."""
        return wilson(self.k, self.n, level)


def weigh_evidence(
    weights: Sequence[float], successes: Sequence[float], machines: Sequence[Hashable] | None = None
) -> Evidence:
    """Gather weighted outcomes into one piece of evidence.

    weights: one per case, 0..1; successes: 1 cured, 0 not, fractions allowed; machines: the individual
    machine behind each case (None: unknown, counts by itself). Cases of one machine share one vote,
    because they are no independent witnesses. Raises ValueError on unequal lengths or bad values.
    """
    if len(weights) != len(successes) or (machines is not None and len(machines) != len(weights)):
        raise ValueError("weights, successes, machines: give one of each per case")
    for weight, success in zip(weights, successes, strict=True):
        check_chance(weight, "weights")
        check_chance(success, "successes")
    if machines is not None:
        sizes = Counter(machine for machine in machines if machine is not None)
        weights = [w / sizes.get(m, 1) for w, m in zip(weights, machines, strict=True)]
    total = math.fsum(weights)
    if total <= 0:
        return Evidence(None, 0.0, 0.0)
    share = math.fsum(w * s for w, s in zip(weights, successes, strict=True)) / total
    return Evidence(share, _independent(weights, machines), total)


def _independent(weights: Sequence[float], machines: Sequence[Hashable] | None) -> float:
    """Kish's size over machines, not over cases: shares of one vote are added up first."""
    if machines is None:
        return kish(weights)
    votes: dict[Hashable, float] = {}
    for i, (weight, machine) in enumerate(zip(weights, machines, strict=True)):
        key = ("case", i) if machine is None else ("machine", machine)
        votes[key] = votes.get(key, 0.0) + weight
    return kish(list(votes.values()))


def clean_tries(chance: float, level: float = LEVEL) -> int:
    """How many clean tries in a row show, `level` sure, that a fault with this chance per try is gone.

    chance: of the fault showing in one try, above 0 and at most 1. n = ceil(ln(1 - level) / ln(1 - chance)).
    """
    check_chance(chance)
    if chance == 0:
        raise ValueError("chance: 0 is not allowed; a fault that never shows cannot be tested for")
    _check_counts(0, 0, level)
    if chance == 1:
        return 1
    return math.ceil(math.log1p(-level) / math.log1p(-chance) - 1e-9)


def highest_after_none(n: int, level: float = LEVEL) -> float:
    """The highest chance still believable after no failure in n tries; about 3 / n (rule of three)."""
    _check_counts(0, n, level)
    return 1.0 if n <= 0 else -math.expm1(math.log1p(-level) / n)
