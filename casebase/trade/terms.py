"""The vocabulary: what the trade calls things, how owners say them, what hangs together, what is dangerous.

The package brings the words of small-engine repair (`data/*.yaml`); a case folder may add its own
`vocabulary.yaml` in the same form, for other machines or other trades. A term's label is its name: it is
what case files say and what answers show.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import asdict, dataclass, field
from functools import cache
from pathlib import Path
from typing import Any, Literal, cast, get_args

from casebase.problems import Place, Problem, did_you_mean
from casebase.record.folder import read_bytes
from casebase.record.schema import Fields, Findings, join, text_list
from casebase.record.tree import Mapping as Node
from casebase.record.tree import parse
from casebase.trade import DATA

Kind = Literal["symptom", "check", "action", "cause", "setting", "machine", "engine", "carburettor", "hazard"]
KINDS: tuple[Kind, ...] = get_args(Kind)
FILE_NAME = "vocabulary.yaml"

_PLURAL: dict[Kind, str] = {kind: kind + "s" for kind in KINDS}
_SECTIONS = (*_PLURAL.values(), "words", "ambiguous")
_KEYS = ("under", "group", "also", "said", "denied by", "hazards", "only", "points to", "cures", "minutes", "owner",
         "result", "unit", "caution", "how", "iso14224", "engine", "carburettor", "part", "known from")

# Stands below all cautions.
DEFERS = ("The machine's own manual and local rules come first; what you are not sure of is work for a licensed or "
          "trained person.")


@dataclass(frozen=True, slots=True)
class Term:
    """One term. `under` is its parent in the tree of its kind ("" for a root).

    `also` are names that case files may use; `said` are patterns of speech, `denied_by` patterns that mean
    its absence. `only` limits it to engines, carburettors or machines. `minutes` is the usual bench time of a
    check or action. `ok` and `bad` are the findings of a check that speak for and against the part;
    `points_to` are the causes a bad finding makes likelier, `known_from` the symptoms that are such a bad finding
    by themselves; `cures` are the causes an action removes. `how` says in a line how it is done and read (common
    practice of the trade).
    """

    kind: Kind
    label: str
    under: str = ""
    also: tuple[str, ...] = ()
    said: tuple[str, ...] = ()
    denied_by: tuple[str, ...] = ()
    part: str = ""
    hazards: tuple[str, ...] = ()
    only: tuple[tuple[str, tuple[str, ...]], ...] = ()
    points_to: tuple[str, ...] = ()
    known_from: tuple[str, ...] = ()
    cures: tuple[str, ...] = ()
    minutes: float | None = None
    owner: bool = False
    quantity: str = ""
    unit: str = ""
    ok: tuple[str, ...] = ()
    bad: tuple[str, ...] = ()
    caution: str = ""
    how: str = ""
    iso14224: str = ""
    engine: str = ""
    carburettor: str = ""

    @property
    def key(self) -> tuple[Kind, str]:
        return (self.kind, self.label)

    def applies(self, **machine: str) -> bool:
        """False only where the machine is known to be another: `applies(engine="two-stroke")`."""
        limits = dict(self.only)
        return all(not value or name not in limits or value in limits[name] for name, value in machine.items())


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class Vocabulary:
    """All terms by kind and label, the word families and the ambiguous words."""

    terms: Mapping[Kind, Mapping[str, Term]]
    words: dict[str, tuple[str, ...]] = field(default_factory=dict)
    ambiguous: dict[str, tuple[str, ...]] = field(default_factory=dict)
    _names: dict[tuple[str, str], Term] = field(default_factory=dict, repr=False)
    _hints: dict[tuple[str, str], str] = field(default_factory=dict, repr=False)
    _paths: dict[tuple[str, str], tuple[str, ...]] = field(default_factory=dict, repr=False)

    def all(self) -> Iterator[Term]:
        for by_label in self.terms.values():
            yield from by_label.values()

    def resolve(self, kind: Kind, name: str) -> Term | None:
        """The term a case file means by `name`: its label or one of its other names, capitals ignored."""
        exact = self.terms[kind].get(name)
        if exact is not None:
            return exact
        if not self._names:
            names: dict[tuple[str, str], Term] = {}
            for term in self.all():
                for other in term.also:
                    names.setdefault((term.kind, other.casefold()), term)
            for term in self.all():
                names[term.kind, term.label.casefold()] = term
            self._names.update(names)  # all at once: another thread may be asking already
        return self._names.get((kind, name.casefold()))

    def label(self, kind: Kind, name: str) -> str:
        """The label for `name`, or `name` itself where the vocabulary does not have it."""
        term = self.resolve(kind, name)
        return term.label if term else name

    def suggestion(self, kind: Kind, name: str) -> str:
        """A hint for a name that is not in the vocabulary, or ""."""
        if (kind, name) not in self._hints:
            names = [other for term in self.terms[kind].values() for other in (term.label, *term.also)]
            self._hints[kind, name] = did_you_mean(name, names)
        return self._hints[kind, name]

    def path(self, kind: Kind, label: str) -> tuple[str, ...]:
        """The labels from `label` up to its root, itself first."""
        known = self._paths.get((kind, label))
        if known is not None:
            return known  # asked for thousands of times in a question
        found: list[str] = []
        above = label
        while above and above not in found:
            found.append(above)
            term = self.terms[kind].get(above)
            above = term.under if term else ""
        return self._paths.setdefault((kind, label), tuple(found))

    def tree_similarity(self, kind: Kind, one: str, other: str) -> float:
        """Wu & Palmer (1994) over the tree of a kind, in [0, 1]: 2·depth(lca) / (depth(a) + depth(b)).

        Depth counts nodes; each kind's tree has one root above all its roots, of depth 1 (recalled; values
        checked against a worked example with that convention).
        """
        if one == other:
            return 1.0
        up_one, up_other = self.path(kind, one), self.path(kind, other)
        shared = sum(1 for label in up_one if label in up_other)
        return 2 * (shared + 1) / (len(up_one) + len(up_other) + 2)

    def cautions(self, terms: Iterable[Term | None]) -> tuple[Term, ...]:
        """The hazards of the given terms, each once, in the order they arise."""
        labels = dict.fromkeys(hazard for term in terms if term for hazard in term.hazards)
        return tuple(self.terms["hazard"][label] for label in labels if label in self.terms["hazard"])

    def as_json(self) -> dict[str, str]:
        """The vocabulary as texts: a line for each term, and JSON for the words."""
        lines = (f"{kind}\t{label}\t{json.dumps(_sparse(term), ensure_ascii=False)}"
                 for kind, terms in self.terms.items() for label, term in terms.items())
        return {"terms": "\n".join(lines), "words": json.dumps(self.words), "ambiguous": json.dumps(self.ambiguous)}

    @classmethod
    def from_json(cls, data: Mapping[str, str]) -> Vocabulary:
        texts: dict[str, dict[str, str]] = {kind: {} for kind in KINDS}
        for line in data["terms"].split("\n") if data["terms"] else ():
            kind, label, text = line.split("\t", 2)
            texts[kind][label] = text
        return cls({kind: _StoredTerms(texts[kind]) for kind in KINDS}, _word_lists(data["words"]),
                   _word_lists(data["ambiguous"]))


def _word_lists(text: str) -> dict[str, tuple[str, ...]]:
    return {word: tuple(others) for word, others in json.loads(text).items()}


def kin(terms: Mapping[str, Term], label: str, others: Iterable[str]) -> list[str]:
    """Of some labels the others under the same parent."""
    return [other for other in others if other != label and terms[other].under == terms[label].under]


class _StoredTerms(Mapping[str, Term]):
    """Terms by label, each decoded when first asked for: a query needs a dozen of six hundred."""

    def __init__(self, texts: dict[str, str]) -> None:
        self._texts = texts
        self._terms: dict[str, Term] = {}

    def __getitem__(self, label: str) -> Term:
        if label not in self._terms:
            record = json.loads(self._texts[label])
            self._terms[label] = Term(**{key: _frozen(value) for key, value in record.items()})
        return self._terms[label]

    def __iter__(self) -> Iterator[str]:
        return iter(self._texts)

    def __len__(self) -> int:
        return len(self._texts)


def _sparse(term: Term) -> dict[str, Any]:
    """What a query needs of a term: its patterns are compiled by then, so they stay behind."""
    return {key: value for key, value in asdict(term).items()
            if value is not None and value is not False and value not in ((), "") and key not in ("said", "denied_by")}


def _frozen(value: Any) -> Any:
    return tuple(map(_frozen, value)) if isinstance(value, list) else value


@cache
def package_vocabulary() -> Vocabulary:
    """The vocabulary that comes with the package. A fault in it is a fault of the program."""
    terms: _Terms = {kind: {} for kind in KINDS}
    vocabulary = Vocabulary(terms)
    problems: list[Problem] = []
    for source in sorted(DATA.glob("*.yaml")):
        problems += _read_into(vocabulary, terms, source.read_text(encoding="utf-8"), source.name)
    problems += _check_links(vocabulary, {})
    assert not problems, "\n".join(map(str, problems))
    return vocabulary


def folder_vocabulary(folder: Path) -> tuple[Vocabulary, list[Problem]]:
    """The package's vocabulary with the folder's own `vocabulary.yaml` over it, and what is wrong with that.

    An entry of the same label replaces the package's entry; word families are added to.
    """
    base = package_vocabulary()
    path = folder / FILE_NAME
    if not os.path.lexists(path):
        return base, []
    data = read_bytes(path)
    if isinstance(data, Problem):
        return base, [data]
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return base, [Problem("encoding", "is not UTF-8 text", "save it as UTF-8", file=str(path))]
    terms: _Terms = {kind: dict(known) for kind, known in base.terms.items()}
    vocabulary = Vocabulary(terms, dict(base.words), dict(base.ambiguous))
    places: dict[str, Place] = {}
    problems = _read_into(vocabulary, terms, text, str(path), places)
    problems += [Problem(problem.code, problem.message, problem.hint, str(path), problem.place, problem.field)
                 for problem in _check_links(vocabulary, places)]
    return vocabulary, problems


_Terms = dict[Kind, dict[str, Term]]


def _read_into(vocabulary: Vocabulary, terms: _Terms, text: str, file: str,
               places: dict[str, Place] | None = None) -> list[Problem]:
    """Adds what a vocabulary file says to `terms`, which are those of `vocabulary`, and to its words."""
    findings = Findings(file, places=places if places is not None else {})
    tree, problems = parse(text)
    for problem in problems:
        findings.report(problem.code, problem.message, problem.hint, path=problem.field, place=problem.place)
    if not isinstance(tree, Node):
        if tree is not None:
            findings.report("shape", "holds no named sections", "begin with one of: " + ", ".join(_SECTIONS),
                            place=tree.place)
        return findings.problems
    top = Fields(tree, findings)
    for kind, section in _PLURAL.items():
        part = top.mapping(section)
        for label, _value in part.node.entries if part else ():
            term = _term(part, kind, label.text) if part else None
            if term:
                terms[kind][term.label] = term
    for section, target in (("words", vocabulary.words), ("ambiguous", vocabulary.ambiguous)):
        part = top.mapping(section)
        for name, _value in part.node.entries if part else ():
            node = part.take(name.text) if part else None
            if node is not None:
                values = text_list(node, findings, join(section, name.text))
                target[name.text] = (*target.get(name.text, ()), *values)
    top.close(_SECTIONS)
    return findings.problems


def _term(section: Fields, kind: Kind, label: str) -> Term | None:
    fields = section.mapping(label)
    if fields is None:
        return None
    minutes = fields.number("minutes", "write minutes as a number")
    quantity, unit, good, bad = _result(fields)
    under, group = fields.text("under"), fields.text("group")
    term = Term(
        kind=kind, label=" ".join(label.split()), under=under or group, also=fields.texts("also"),
        said=fields.texts("said"), denied_by=fields.texts("denied by"), part=fields.text("part"),
        hazards=fields.texts("hazards"), only=_only(fields), points_to=fields.texts("points to"),
        known_from=fields.texts("known from"), cures=fields.texts("cures"),
        minutes=None if minutes is None else float(minutes),
        owner=fields.choice("owner", ("true", "false"), "true or false") == "true", quantity=quantity,
        unit=fields.text("unit") or unit, ok=good, bad=bad, caution=fields.text("caution"), how=fields.text("how"),
        iso14224=fields.text("iso14224"), engine=fields.text("engine"), carburettor=fields.text("carburettor"),
    )
    fields.close(_KEYS)
    return term


def _only(fields: Fields) -> tuple[tuple[str, tuple[str, ...]], ...]:
    part = fields.mapping("only")
    if part is None:
        return ()
    limits = tuple((name, part.texts(name)) for name in ("engine", "carburettor", "machine") if part.has(name))
    part.close(("engine", "carburettor", "machine"))
    return limits


def _result(fields: Fields) -> tuple[str, str, tuple[str, ...], tuple[str, ...]]:
    """What a check can give: (quantity, unit, words that speak for the part, words that speak against it)."""
    part = fields.mapping("result")
    if part is None:
        return "", "", (), ()
    good: tuple[str, ...] = ()
    bad: tuple[str, ...] = ()
    yes = part.choice("yes is", ("ok", "bad"), "ok or bad")
    if yes:
        good, bad = (("yes",), ("no",)) if yes == "ok" else (("no",), ("yes",))
    choices = part.mapping("choices")
    if choices is not None:
        good, bad = choices.texts("ok"), choices.texts("bad")
        choices.close(("ok", "bad"))
    quantity, unit = part.text("quantity"), part.text("unit")
    part.close(("yes is", "choices", "quantity", "unit"))
    return quantity, unit, good, bad


# Which of a term's links must name a term of which kind.
_LINKS: tuple[tuple[str, Kind], ...] = (
    ("hazards", "hazard"), ("points_to", "cause"), ("cures", "cause"), ("known_from", "symptom"))
# Kinds whose parent is a term of the same kind; of the others it is the name of a group.
_TREES: tuple[Kind, ...] = ("cause", "machine")


def _check_links(vocabulary: Vocabulary, places: Mapping[str, Place]) -> list[Problem]:
    problems = []
    for term in vocabulary.all():
        path = join(_PLURAL[term.kind], term.label)
        for key, kind, label in _wanted(term):
            if label not in vocabulary.terms[kind]:
                place = places.get(join(path, key)) or places.get(join(path, key.split("[")[0]), Place())
                problems.append(Problem("unknown-term", f'there is no {kind} "{label}"',
                                        vocabulary.suggestion(kind, label), field=join(path, key), place=place))
        if term.kind in _TREES and term.under and term.label in vocabulary.path(term.kind, term.under):
            problems.append(Problem("loop", f'"{term.label}" stands under itself', "name another parent",
                                    field=join(path, "under"), place=places.get(join(path, "under"), Place())))
        if term.kind == "hazard" and not term.caution:
            problems.append(Problem("missing", "has no caution", "say what can hurt and what to do about it",
                                    field=path, place=places.get(path, Place())))
    return problems


def _wanted(term: Term) -> Iterator[tuple[str, Kind, str]]:
    """Each label a term names: (its place within the entry, the kind it must be of, the label)."""
    for name, kind in _LINKS:
        for number, label in enumerate(getattr(term, name)):
            yield f"{name.replace('_', ' ')}[{number}]", kind, label
    for limit, labels in term.only:
        for number, label in enumerate(labels):
            yield f"only.{limit}[{number}]", cast(Kind, limit), label
    single: tuple[tuple[str, Kind, str], ...] = (("engine", "engine", term.engine),
                                                 ("carburettor", "carburettor", term.carburettor))
    if term.kind in _TREES:
        single += (("under", term.kind, term.under),)
    yield from (link for link in single if link[2])
