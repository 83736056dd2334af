"""What a sentence of a note tells, weighed: what the rules read in it, and what it is like.

Rules know phrases, likeness knows words of examples, the encoder (`storyencoded`) what is said around them; none is right often
enough alone. Each thing a sentence might tell is given a chance by logistic regression over a few features of all and of what
was told before. The weights lie in `trade/data/reading.txt`; `tools/learn_reading.py` finds them, from notes not learned from.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Hashable, Mapping, Sequence
from math import log
from typing import Literal, NamedTuple, TypeVar, get_args

from casebase.record.case import Result
from casebase.retain import storymachines
from casebase.retain.story import Sentence
from casebase.retain.storycues import is_by_me, is_complaint
from casebase.retain.storyencoded import Odds
from casebase.retain.storylearned import Subject, learned
from casebase.retain.storymachines import Machines
from casebase.retain.storysettings import READ_AS
from casebase.retain.storyties import helps
from casebase.retain.storyvalues import fits
from casebase.retrieve.heads import LEAST
from casebase.retrieve.logistic import Features, chance, log_of, odds, read_weights
from casebase.retrieve.sayings import OTHER, Sayings
from casebase.trade.terms import Kind, Vocabulary

# What is weighed; "beside" their rivals, steps and effects are weighed a second time, work and symptoms once more over the whole note.
Weighed = Literal["steps", "steps beside", "work of the note", "symptoms", "symptoms of the note", "effects", "effects beside", "became cured", "became better", "became no change", "became worse", "from", "to"]
WEIGHED: tuple[Weighed, ...] = get_args(Weighed)
BECAME: dict[Result, Weighed] = {"cured": "became cured", "better": "became better", "no change": "became no change", "worse": "became worse"}
Thing = TypeVar("Thing", bound=Hashable)

ACCEPTED: dict[Weighed, float] = {"steps beside": 0.44, "work of the note": 0.4, "symptoms": 0.3, "symptoms of the note": 0.4, "effects": 0.25, "effects beside": 0.28}  # from this chance on a thing is taken as told; best F1 on notes held back
SHORT = 6  # sentences of a note that is taken at its word; the weights come from notes of eighteen
EVEN = 0.5  # what a short note does not say plainly must be as likely as not
LOOKED = 0.5  # a look: people tell more of them than the record keeps
PLAIN: dict[Weighed, float] = {"steps beside": 0.05, "symptoms": 0.3}  # what the rules read needs only this much of it
_UNLIKELY = Odds(LEAST, LEAST)
_CANDIDATES = 10  # likeliest labels of a sentence that are weighed
_KINDS: dict[str, Kind] = {"check": "check", "set": "setting", "do": "action"}
_WORK = re.compile(
    r"\b(?:fit(?:s|ted)?|put|new|fresh|another|replac\w+|chang\w+|swapp\w+|clean\w+|clear\w+|set|reset|turn\w+|bent|ground|filed|scrap\w+|wash\w+|blew|blown|drain\w+|"
    r"fill\w+|refill\w+|empt\w+|greas\w+|oiled|sharpen\w*|tighten\w*|adjust\w*|rewound|wound|solder\w*|went (?:in|on)|gave|strip\w*|freed|poked|flush\w*|renew\w*|"
    r"welded|made up|mend\w*|repair\w*|refit\w*|cut|glued|seal\w+|dress\w*|balanc\w+|top\w+ up|nipped|straighten\w*|scrub\w*|hosed|dug|pull\w+ out|took out|dropped in|screwed|backed|opened|closed|moved)\b", re.IGNORECASE)
_FINDING = re.compile(
    r"\b(?:found|look\w*|check\w*|test\w*|measur\w*|read|reads|show\w*|saw|see|felt|smel\w*|was|were|had|is|came out|worn|crack\w*|split|perish\w*|loose|tight|fine|good|okay|"
    r"ok|sound|bad|dead|black|wet|dry|clean|dirty|blocked|chok\w+|clogged|stuck|seized|rust\w*|bent|broken|snapped|missing|low|high|full|empty|spun|shook|nothing|no)\b", re.IGNORECASE)
_TURNED = re.compile(r"\b(?:still|again|not|no|never|now)\b|n't", re.IGNORECASE)


class Like(NamedTuple):
    """How like a sentence is to what tells `label`: the chance by its best stretch and by the whole, the place among all
    labels (0 first; -1 when only others brought it up), the characters of the best stretch, and the log-odds by the encoder."""

    label: str
    best: float
    whole: float
    rank: int
    start: int
    end: int
    encoded: Odds


class Likeness:
    """A sentence held against the examples of one subject, whole and stretch by stretch; `encoded` are its log-odds by label."""

    def __init__(self, sayings: Sayings, sentence: Sentence, encoded: Mapping[str, Odds]) -> None:
        self.sayings, self._encoded = sayings, encoded
        stretches = list(sentence.stretches())
        self.form = _form_features(sentence, len(stretches))
        spans = [(0, len(sentence.text))]
        spans += [(start, end) for start, end in stretches if (start, end) != spans[0] and len(sentence.text[start:end].split()) > 1]
        self.spans = spans  # the whole first, then its stretches
        self._chances = [sayings.chances(sentence.text[start:end]) for start, end in spans]
        number = sayings.numbers[OTHER]
        self.other = float(self._chances[0][number])
        self.least_other = float(min(chances[number] for chances in self._chances))

    def of(self, label: str, rank: int = -1) -> Like:
        """How like the sentence is to one label."""
        number = self.sayings.numbers.get(label)
        encoded = self._encoded.get(label, _UNLIKELY)
        if number is None:
            return Like(label, 0.0, 0.0, rank, *self.spans[0], encoded)
        best = max(range(len(self.spans)), key=lambda span: float(self._chances[span][number]))
        return Like(label, float(self._chances[best][number]), float(self._chances[0][number]), rank, *self.spans[best], encoded)

    def likeliest(self, read: Collection[str]) -> list[Like]:
        """The likeliest labels, and those that the rules `read`."""
        best = self._chances[0].copy()
        for chances in self._chances[1:]:
            best = best.clip(min=chances)
        order = [label for number in (-best).argsort()[: _CANDIDATES + 1] if (label := self.sayings.labels[number]) != OTHER][:_CANDIDATES]
        more = [label for label in dict.fromkeys((*read, *self._encoded)) if label not in order]
        return [self.of(label, rank) for rank, label in enumerate(order)] + [self.of(label) for label in more]


def accepted(subject: Weighed, chances: Mapping[Thing, float], read: Collection[Thing]) -> set[Thing]:
    """The things surely enough told; where none is, of those the rules `read` what is not unlikely: a plain short sentence is
    like too many things to be surely like one."""
    sure = {thing for thing, chance in chances.items() if chance >= (LOOKED if str(thing).startswith("check ") else ACCEPTED[subject])}
    return sure or {thing for thing in read if chances[thing] >= PLAIN[subject] * ACCEPTED[subject]}


class Valued(NamedTuple):
    """The chances that a number is where a setting was found, and where it was left; whether the likelier of the latter tells by how much it was moved,
    and whether what is told there was left alone."""

    stood: float
    left: float
    is_amount: bool
    left_alone: bool


ValuesOf = Callable[[Like], Valued]  # of a setting


class Context(NamedTuple):
    """What was told before a sentence: the kind of `machine`, its `place` in the note in [0, 1), steps as labels of sayings, symptoms; the likeness of the sentence before it and of the one after."""

    machine: str
    place: float
    steps: Sequence[str]
    symptoms: Collection[str]
    before: Likeness | None
    after: Likeness | None


class Choice:
    """Weighs what sentences tell. Give other `sayings`, `machines` or `weights` to learn and to measure."""

    def __init__(self, vocabulary: Vocabulary, *, sayings: Mapping[Subject, Sayings] | None = None,
                 weights: Mapping[str, Features] | None = None, machines: Machines | None = None) -> None:
        self.vocabulary = vocabulary
        self.machines = machines or storymachines.learned()
        self._sayings = sayings
        self._weights = weights or read_weights()

    def likeness(self, subject: Subject, sentence: Sentence, encoded: Mapping[str, Odds] | None = None) -> Likeness:
        """A sentence held against the examples of a subject; `encoded` are the log-odds of the labels that are likely by the encoder."""
        return Likeness(self._of(subject), sentence, encoded or {})

    def roles(self, words: str) -> dict[str, float]:
        """The chance of each role of a number from the words around it."""
        sayings = self._of("roles")
        return dict(zip(sayings.labels, map(float, sayings.chances(words)), strict=True))

    def _of(self, subject: Subject) -> Sayings:
        return (self._sayings or {}).get(subject) or learned(subject)

    def chance(self, subject: Weighed, thing: str, features: Features, sentence: Sentence | None) -> float:
        """The chance, in [0, 1], that a sentence, or where it is None the note, tells a thing with these features."""
        return chance(self._weights.get(subject, {}), features)

    def steps(self, sentence: Sentence, likeness: Likeness, read: Mapping[str, bool], context: Context, values_of: ValuesOf) -> dict[Like, float]:
        """The steps a sentence may tell with their chances; those the rules `read`, True with a value, are always among them."""
        found = likeness.likeliest(read)
        features = {like: {**self._step_features(like, found, sentence, likeness, read, context), **_value_features(like, values_of)} for like in found}
        chances = {like: self.chance("steps", like.label, features[like], sentence) for like in found}
        return {like: self.chance("steps beside", like.label, {**features[like], **_rival_features(like, chances, context.after)}, sentence) for like in found}

    def symptoms(self, sentence: Sentence, likeness: Likeness, read: Mapping[str, str], context: Context) -> dict[Like, float]:
        """The symptoms a sentence may tell with their chances; `read` gives those the rules found their status."""
        found = likeness.likeliest(read)
        return {like: self.chance("symptoms", like.label, {**_symptom_features(like, found, sentence, likeness, read, context),
                                                           "of the machine": self.machines.fit(like.label, context.machine)}, sentence) for like in found}

    def _step_features(self, like: Like, found: Sequence[Like], sentence: Sentence, likeness: Likeness, read: Mapping[str, bool],
                       context: Context) -> Features:
        """What speaks for and against a step."""
        kind, label = like.label.split(" ", 1)
        check = self.vocabulary.terms["check"].get(label) if kind == "check" else None
        measured = check is not None and any(fits(reading.unit, check.unit) for reading in sentence.readings)
        others = [other for other in read if other != like.label]
        return {
            **_likeness_features(like, found, likeness), **_encoded_features(like, found),
            "read": like.label in read, "read first": like.label in read and like.rank == 0, "read check": like.label in read and kind == "check",
            "read set": like.label in read and kind == "set", "read with a value": read.get(like.label, False),
            "other read": bool(others), "other of the kind read": any(other.startswith(kind + " ") for other in others),
            "no step yet": not context.steps, "check": kind == "check", "set": kind == "set", "measured": measured,
            "unit missing": check is not None and bool(check.unit) and not measured, "set to a value": kind == "set" and bool(sentence.readings),
            "before": log_of(context.before.of(like.label).best if context.before else 0.0), "just told": like.label in context.steps[-3:],
            "cures what was seen": kind == "do" and any(self._cures(label, seen) for seen in context.steps[-4:]),
            **_match_features(sentence, _KINDS[kind], label),
            "helps": kind == "do" and any(helps(self.vocabulary, label, symptom) for symptom in context.symptoms),
            "place": context.place, "of the machine": self.machines.fit(like.label, context.machine), **likeness.form,
            **_verb_features(sentence.text[like.start: like.end], kind),
        }

    def _cures(self, action: str, seen: str) -> bool:
        """Whether an action removes a cause that a check points to."""
        check = self.vocabulary.terms["check"].get(seen.removeprefix("check "))
        cure = self.vocabulary.terms["action"].get(action)
        return check is not None and cure is not None and not set(check.points_to).isdisjoint(cure.cures)


def _rival_features(like: Like, chances: Mapping[Like, float], after: Likeness | None) -> Features:
    """How likely the other steps are that a sentence may tell: in the same stretch, in others, of each kind, of the same part."""
    others = {other: chance for other, chance in chances.items() if other is not like}
    words = set(like.label.split()[1:])

    def best(those: Callable[[Like], bool]) -> float:
        return odds(max((chance for other, chance in others.items() if those(other)), default=0.0))

    following = after.of(like.label) if after else None
    settings = [chance for other, chance in others.items() if other.label.startswith("set ") and _look_at(other.label.removeprefix("set ")) == like.label]
    return {
        "its setting": max(settings, default=0.0),
        "chance": odds(chances[like]), "first of all": all(chance < chances[like] for chance in others.values()), "others": sum(others.values()),
        "best in the stretch": best(lambda other: other.start == like.start), "best elsewhere": best(lambda other: other.start != like.start),
        "best of the part": best(lambda other: not words.isdisjoint(other.label.split()[1:])),
        **{f"best {kind}": best(lambda other, kind=kind: other.label.startswith(kind)) for kind in _KINDS},  # type: ignore[misc]
        "told after": log_of(following.best) if following else log_of(0.0), "whole after": log_of(following.whole) if following else log_of(0.0),
    }


def _look_at(setting: str) -> str:
    """The look that a setting stands for where its value was only read."""
    return f"check {READ_AS.get(setting, setting)}"


def only_found(stretch: str, label: str) -> bool:
    """Whether a stretch that may tell work has words of a finding and none of work."""
    return label.startswith("do ") and bool(_FINDING.search(stretch)) and not _WORK.search(stretch)


def _verb_features(stretch: str, kind: str) -> Features:
    """Whether a stretch has words of work or of a look and its finding, for a step of each kind: "found the needle worn" replaces nothing."""
    work, look = bool(_WORK.search(stretch)), bool(_FINDING.search(stretch))
    return {f"{name} for {other}": told and kind == other for other in _KINDS for name, told in (("work", work), ("finding", look), ("finding, no work", look and not work))}


def _value_features(like: Like, values_of: ValuesOf) -> Features:
    """How likely a number of the sentence is where the setting was found, and where it was left, and what kind of number that is."""
    valued = values_of(like) if like.label.startswith("set ") else Valued(0.0, 0.0, is_amount=False, left_alone=False)
    return {"stood": valued.stood, "left": valued.left, "stood and left": valued.stood * valued.left, "left by an amount": valued.left * valued.is_amount,
            "left alone": valued.left_alone}


def _symptom_features(like: Like, found: Sequence[Like], sentence: Sentence, likeness: Likeness, read: Mapping[str, str], context: Context) -> Features:
    """What speaks for and against a symptom that is told as being there."""
    status, first = read.get(like.label, ""), not context.steps
    return {
        **_likeness_features(like, found, likeness), **_encoded_features(like, found),
        "read": status == "present", "read absent": status == "absent", "read otherwise": status not in ("", "present", "absent"), "encoded absent": like.encoded.absent,
        "encoded absent more": max(0.0, like.encoded.absent - max(like.encoded.whole, like.encoded.part)), "other read": any(label != like.label for label in read),
        "known": like.label in context.symptoms, "no step yet": first, "read before a step": first and status == "present",
        "likely before a step": first * log_of(like.best), "owner tells": is_complaint(sentence.text), "place": context.place,
        **_match_features(sentence, "symptom", like.label), "opening": context.place < 0.2, "turned": bool(_TURNED.search(sentence.text)), **likeness.form,
    }


def _likeness_features(like: Like, found: Sequence[Like], likeness: Likeness) -> Features:
    best = max(other.best for other in found)
    return {"best": log_of(like.best), "whole": log_of(like.whole), "nothing": log_of(likeness.other), "nothing at least": log_of(likeness.least_other),
            "first": like.rank == 0, "second": like.rank == 1, "not like": like.rank < 0, "behind": log_of(best) - log_of(like.best)}


def _encoded_features(like: Like, found: Sequence[Like]) -> Features:
    most, most_by_part, _absent = (max(odds) for odds in zip(*(other.encoded for other in found), strict=True))
    whole, part, _absent = like.encoded
    return {"encoded": whole, "encoded told": whole > 0, "encoded first": whole == most, "encoded behind": most - whole,
            "encoded part": part, "encoded part told": part > 0, "encoded part first": part == most_by_part, "encoded part more": part - whole}


def _match_features(sentence: Sentence, kind: Kind, label: str) -> Features:
    """How plainly the words of a label stand there: a name says more than a pattern, a long one more than a short one."""
    terms = [term for term in sentence.of(kind) if term.label == label]
    return {"by name": any(term.how == "name" for term in terms), "words matched": max((len(term.used) for term in terms), default=0)}


def _form_features(sentence: Sentence, stretches: int) -> Features:
    return {"stretches": min(stretches, 5), "words": log(1 + len(sentence.text.split())), "by me": is_by_me(sentence.text)}
