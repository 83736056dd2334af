"""The words by which a spoken note tells what a sentence is for, what a step did, how long it took and what it cost."""

from __future__ import annotations

import re
from decimal import Decimal
from itertools import dropwhile
from typing import NamedTuple

from casebase.record.case import Outcome, Result, Source
from casebase.trade.numbers import number, pair
from casebase.trade.readings import find_readings

_PERSON = (r"(?:he|she|they|(?:the |its |his |her )?(?:owner|customer|client|lady|man|guy|gentleman|woman|bloke|lad|neighbour|somebody|someone|"
           r"friend|husband|wife|son|daughter|brother|sister|father|dad|mother|mum|uncle|aunt|nephew|niece|cousin|grandad|mate|gardener|crew|farmer|"
           r"foreman|people|folks?)(?:[ -]in[- ]law)?)")
_SHOULD = r"(?:should|must|ought to|had better)"
_ADVICE = re.compile(
    rf"^(?:my )?advice\b|\badvised\b|\b(?:i|i'd|i'll|i would|i will|i have|i've)? ?(?:told|tell|suggest|recommend|advise|remind|warn|show)"
    rf"(?:ed)? (?:him|her|them|that|the (?:owner|customer|client|lady|man|guy)|{_PERSON})\b|\b{_PERSON} {_SHOULD} (?!be in\b)"
    rf"|^(?:told|tell|advised|reminded|warned) |\b{_PERSON} (?:was|were|is|has been|got) (?:told|advised|asked|warned|shown|reminded)\b", re.IGNORECASE)
_LATE_ADVICE = re.compile(rf"\b{_PERSON} (?:needs?|has|have|wants?) to\b|^(?:best|better) (?:to|if)\b|\bnext time\b|\bin future\b", re.IGNORECASE)
_GOES_ON = re.compile(rf"(?:(?:and|also|plus|or|then|so) )*(?:also |and )?(?:to|not to|never|always|don't|do not|keep|use|run|drain|check|clean|change|store|bring|have|get|{_PERSON} (?:should|must|can|ought)) ", re.IGNORECASE)
_HISTORY = re.compile(
    rf"\balready\b|\bhimself\b|\bherself\b|\bthemselves\b|\bbefore (?:he|she|they|it|bringing|that he|that she)\b|\bbeforehand\b"
    rf"|\b{_PERSON}(?:'s|'d| had| has| have)? (?:also |even |just |then )*(?:had|tried|changed|replaced|put|fitted|cleaned|swapped|done|"
    rf"fiddled|adjusted|bought|renewed|drained|emptied|ran|left|stored|kept)\b"
    rf"|\bby (?:a|the|his|her|their) (?:previous )?(?:owner|friend|neighbour|son|mate|other shop|husband|dealer)\b"
    r"|\b(?:another|other|last|previous) (?:shop|workshop|mechanic|owner|dealer)\b", re.IGNORECASE)
_RUN = re.compile(r"\b(?:minutes?|hours?|times|ran|runs?|running|cut|cuts|bucked|mow\w*|dug|dig\w*|pump\w*|load\w*|test\w*|tried|start\w*|restart\w*|stop\w*|pull\w*|stayed|held|climb\w*|blew|threw|drove|cleared|"
                  r"generated|gauge|meter)\b", re.IGNORECASE)
_BY_ME = re.compile(r"\b(?:i|we)\b", re.IGNORECASE)
# Work of somebody else: "Malcolm had put a new plug in it", "his boy swapped the filter".
_OF_OTHERS = re.compile(
    r"^(?:(?:[Aa]nd|[Ss]o|[Bb]ut|[Nn]ow|[Ww]ell|[Aa]pparently|[Oo]h),? )?(?:(?:[Hh]is|[Hh]er|[Tt]heir|[Tt]he|[Mm]y|[Oo]ne of (?:the|his|her|their)|[Aa]) (?!plug|carb|filter|belt|engine|machine|blade|spark|fuel|tank|air|saw|mower)"
    r"[\w' -]{2,30}?|(?!New |Next |Then |Fresh )[A-Z][\w']+(?: [A-Z][\w']+)?|(?:[Hh]e|[Ss]he|[Tt]hey|[Ss]omebody|[Ss]omeone)(?:'d|'s)?) (?:(?:had|has|have|already|also|only|just|since|then|even|first|gone and|went and|been) )*"
    r"(?:put|swapped|changed|fitted|cleaned|replaced|tried|turned|adjusted|drained|sharpened|tightened|bought|stuck|sprayed|poured|wound|screwed|bunged|shoved|set|filed|emptied|filled|refilled|topped) "
    r"(?:an?|the|his|her|its|their|new|another|it|in|up|out|both|some|fresh|all|every\w*)\b")
_STORED = re.compile(
    r"\b(?:stood|standing|sat|sitting|stored|storage|laid up|parked|hibernated|unused|not used|hadn't run|not run)\b", re.IGNORECASE)
_CAUSE = re.compile(
    r"^(?:so |and |the |real |root )*(?:causes?|culprits?|reasons?|faults?|diagnosis|verdict|root causes?)\b(?! (?:the|a) check)"
    r"|\b(?:was|were|is|are) (?:the |to )?(?:causes?|culprits?|blame|reasons?)\b|\bcaused by\b|\b(?:it|that|all|this)(?: is|'s| was) down to\b", re.IGNORECASE)
_SO_CAUSE = re.compile(r"^(?:so|(?:i )?reckon|i'd say|(?:it )?turns out|(?:it )?turned out|summing up|diagnosis|verdict|all in all|in short|in the end|bottom line|to sum up|summary)\b", re.IGNORECASE)
_PROOF = re.compile(
    r"\bproof\b|\bproved?\b|\btest(?:ed)? (?:run|ride|drive|cut)\b|\b(?:hours?|minutes?) run\b|\brestart(?:ed|s)?\b|\b(?:started|starts) (?:it|up|cold|hot|first|\w+ times)\b"
    r"|\b(?:ran|run|running|drove|mowed|worked|idled|left (?:it|running)) (?:it |her |him )?(?:for|on|in|round|around|at|all|ten|twenty|"
    r"thirty|half|an hour|\d+)\b|\b(?:mowed|cut|sawed|blew|pumped|tilled|trimmed|cleared|threw|drove|hedged)\b.*\b(?:for|my|own|half|hours?|minutes|"
    r"litres|metres|yards|times|twice)\b|\b(?:\d+|two|three|four|five|six|seven|eight|nine|ten|twelve|fifteen|twenty|thirty|forty|several|many|hot|cold) (?:times|starts|restarts|minutes running|minutes of)\b|\bovernight\b|\bnext (?:morning|day)\b",
    re.IGNORECASE)
_OFFER = re.compile(
    r"\bwould (?:be|cost|take|need|come to|have)\b|\bquoted?\b|\bestimate[ds]?\b|\bcould (?:be|have)\b|\bwould've\b|"
    r"\bno charge\b|\bdidn't (?:replace|change|touch) (?:the|it|that)\b|^(?:i )?left (?:the |it )\w+ (?:as|alone)\b|\bnot fitted\b", re.IGNORECASE)
_OUTCOMES: tuple[tuple[Outcome, re.Pattern[str]], ...] = (
    ("not worth fixing", re.compile(r"\bnot worth (?:fixing|repairing|mending|it|the)\b|\bbeyond (?:economic )?repair\b|\bscrap(?:ped|per)?\b|"
                                    r"\bwrite-off\b", re.IGNORECASE)),
    ("no fault found", re.compile(r"\bno fault found\b|\bnothing wrong with it\b|\bcould ?n[o']t (?:find|make it) (?:anything|fault|any fault)"
                                  r"|\bfound nothing wrong\b", re.IGNORECASE)),
    ("partly fixed", re.compile(r"\b(?:partly|partially|half|only part(?:ly)?|mostly) (?:fixed|cured|sorted|done|repaired)\b", re.IGNORECASE)),
    ("not fixed", re.compile(r"\b(?:not fixed|unfixed|couldn't fix|could not fix|gave up|given up|still not (?:fixed|right|cured)|"
                             r"handed (?:it )?back (?:un|as it)|no cure)\b", re.IGNORECASE)),
    ("declined", re.compile(r"\b(?:declined|decided against|turned it down|didn't want (?:it|to)|did not want (?:it|to)|said no|"
                            r"would not pay|wouldn't pay)\b", re.IGNORECASE)),
    ("fixed", re.compile(r"^(?:so |all |now |job |and |it's |that's |both |everything |everything's |completely )*(?:fixed|done|cured|sorted|mended|"
                         r"repaired)(?:,? all of it|,? both|,? the lot)?[.! ]*$|\bgave (?:it|her) back (?:fixed|running)\b|\bjob (?:is |was )?(?:fixed|finished)\b|"
                         r"\boutcome:? fixed\b|\ball (?:fixed|cured|sorted)\b", re.IGNORECASE)))


def outcome_in(sentence: str) -> Outcome | None:
    """The outcome a sentence states in so many words."""
    return next((outcome for outcome, pattern in _OUTCOMES if pattern.search(sentence)), None)


def is_advice(sentence: str, *, late: bool) -> bool:
    """Whether a sentence advises. "He needs to" is a complaint before the work and advice after it (`late`)."""
    return bool(_ADVICE.search(sentence) or (late and _LATE_ADVICE.search(sentence))) and not re.search(r"\bmanual\b|\baccording\b", sentence)


def goes_on_advising(sentence: str) -> bool:
    """Whether a sentence goes on with the advice of the one before: "And check the oil each time", "Never run it dry"."""
    return bool(_GOES_ON.match(sentence)) and not is_by_me(sentence)


def is_history(sentence: str) -> bool:
    return bool(_HISTORY.search(sentence)) and not re.match(r"(?:then |so |and )?i\b", sentence, re.IGNORECASE)


def is_by_me(text: str) -> bool:
    """Whether the speaker tells of himself."""
    return bool(_BY_ME.search(text))


def is_work_of_others(sentence: str) -> bool:
    """Whether a sentence tells by its first words what somebody else did."""
    return bool(_OF_OTHERS.match(sentence))


def is_stored(sentence: str) -> bool:
    return bool(_STORED.search(sentence))


def is_cause(sentence: str) -> bool:
    return bool(_CAUSE.search(sentence))


def sums_up(sentence: str) -> bool:
    return bool(_SO_CAUSE.match(sentence))


def tells_of_a_run(sentence: str) -> bool:
    """Whether a sentence has words of running or trying something, as that of a final test has and an aside has not."""
    return bool(_RUN.search(sentence))


def is_proof(sentence: str) -> bool:
    return bool(_PROOF.search(sentence))


def is_offer(sentence: str) -> bool:
    return bool(_OFFER.search(sentence))


_COMPLAINT = re.compile(
    rf"\bcomplain(?:t|ts|s|ed|ing)?\b|\b(?:{_PERSON}) (?:says?|said|tells?|told|reports?|reported|claims?|reckons?|reckoned|thinks?|thought|swears|swore|brought|mentioned)\b"
    rf"|\bcame in\b|\bbrought (?:it )?in\b|\bproblem (?:is|was)\b|\b(?:two|three|four|several) (?:things|faults|problems|complaints)\b"
    rf"|\b{_PERSON} (?:says?|said)\b|\bsupposed to\b|\bthe (?:trouble|fault|story) (?:is|was)\b", re.IGNORECASE)
_SAYING = re.compile(
    r"^.*?\b(?:complain(?:t|ts|s|ed|ing)?(?: (?:is|was|are|were|that|of|about))*[:,]?|(?:says?|said|reports?|reported|claims?)(?: that)?"
    r"|because|problem (?:is|was)(?: that)?|came in(?: with| because| as)?)\s+", re.IGNORECASE)


def is_complaint(sentence: str) -> bool:
    """Whether a sentence tells what the owner says."""
    return bool(_COMPLAINT.search(sentence))


_NEW = re.compile(r"^(?:but|also|and|then|however|only)\b|\b(?:by the way|though|also|as well|too|on top|hadn't (?:said|mentioned)|had not mentioned|new (?:fault|one)|"
                  r"another (?:fault|thing|problem|complaint)|new complaint|second (?:fault|thing|problem|complaint)|(?:it|she|he)'s back|back again|(?:rings?|rang) (?:me )?(?:up|back)|but then|"
                  r"not in (?:his|her|the|their) complaint|noticed|turned out)\b", re.IGNORECASE)


_OLD = re.compile(r"\b(?:still|again|same|worse|as before)\b")


def is_new_fault(sentence: str) -> bool:
    """Whether a sentence tells of a fault met on the way, and not of what a step did."""
    return bool(_NEW.search(sentence)) and not re.search(r"\bstill\b", sentence) and (
        not effects_in(sentence) or bool(re.search(r"\bnow\b", sentence)))


def may_tell_a_fault(sentence: str) -> bool:
    """Whether a symptom in a sentence may be one met on the bench, and not what is left of another or a proof."""
    return not is_proof(sentence) and (is_new_fault(sentence) or not (_OLD.search(sentence) or effects_in(sentence)))


def without_saying(sentence: str) -> str:
    """A complaint without who says it: "the owner says it surges" is "it surges"."""
    return _SAYING.sub("", sentence, count=1) or sentence


_EACH = re.compile(r"\bneither\b|\bnone of (?:it|that|this|them|those)\b|\b(?:that|the|this) (?:whole )?lot\b|\ball (?:of that|three|four)\b|\bbetween (?:them|the two|the three)\b",
                   re.IGNORECASE)


def is_of_each(sentence: str) -> bool:
    """Whether an effect is told of several things done: "neither helped", "so that lot did nothing"."""
    return bool(_EACH.search(sentence))


# What a step did. The first that fits at a place wins, so the longer and the denied come first.
_NOT = r"(?:not|n't|never|no longer)"
_EFFECTS: tuple[tuple[Result, str], ...] = (
    ("better", r"better,? (?:but|though|yet|only) (?:it's |it was |still )?not|not (?:yet |completely |quite |fully |entirely |totally |all |altogether )?"
               r"(?:gone|cured|fixed|right|there|away|sorted)|n't (?:yet |completely |quite |fully |entirely )?(?:gone|cured|fixed|right|there)"
               r"|half (?:cured|fixed|the battle)|partly (?:cured|fixed)|some improvement|a (?:bit|little|lot|touch) (?:better|less|of an improvement)"
               r"|only less|but less|less (?:often|than|of it|so|now)|(?:much|far|lot|bit) less|almost (?:gone|cured|right)|nearly (?:gone|cured|right|there)|not as bad"
               r"|half right|better but|eased(?: off)?|easier|quicker|(?:would|it) (?:at least )?(?:cough|splutter)s?|a step forward|an improvement"
               r"|(?:got|gets?|is|was|\w+s) less\b|(?:ran|runs?|stays?) cooler|instead of|up,? but not|not what it should|but (?:only |very )?slow(?:ly)?|down from \w+ to"),
    ("no change", r"no (?:real |great |big |noticeable |obvious )?(?:change|difference|better|effect|improvement|luck|joy|help|odds|cure|dice)"
                  r"|did(?:n't| not) (?:help|change|make (?:any|a|much)|do (?:anything|a thing|much)|fix|cure|touch|alter|improve|work)"
                  r"|(?:didn't|doesn't|did not) seem to (?:help|matter)|(?:did|does|changed|made) nothing|unchanged|no different"
                  r"|just the same|still the same|(?:the )?same as (?:before|ever)|same (?:thing|again|story)|to no avail|about the same"
                  r"|exactly the same|as bad as (?:before|ever)|made no|without (?:any )?(?:effect|success|result)|waste of time|wasn't it|was not it"
                  r"|wasn't that|not that|in vain|neither [^.;]*better|none the better|not (?:a bit |any )?better|(?:was|were)(?:n't| not) the (?:reason|cause|problem|culprit|answer)"
                  r"|persist(?:s|ed)?|carried on|came back(?! to| up| with| in)|returned|nothing (?:has |had )?changed|still (?:dead|nothing|no|not|there|the)|not the slightest|(?:just |exactly )?like before|unaffected|makes? no (?:odds|difference)|(?:hardly|barely) any (?:change|difference|better)|back to square one|if anything the same"),
    ("worse", r"(?:made|got|was|even|much|lot|bit|is|it|things|ran|run) worse"),
    ("cured", r"(?:that|which|this|and it|it) (?:did|fixed|cured|sorted|solved|stopped|ended) (?:it|that|the|both|them|everything|all)|that did it|that was it|did the trick|that's it"
              r"|(?:is|was|are|were|'s|now|all|been|has|have|gets?|got|completely|totally) (?:now |all |completely |totally |finally )?(?:cured|fixed|gone|"
              r"sorted|solved|away)|(?:so )?that's the \w+ (?:fixed|cured|sorted|done)|went away|(?:has |have )?disappeared|no more \\w+|made (?:all )?the difference"
              r"|problem solved|good as new|like new|(?:like|as) (?:a )?(?:clock|clockwork|rock|sewing machine|it should|new)|as a rock|as a bone"
              r"|back to normal|(?:runs?|ran|idles?|starts?|pulls?|pulled|works?|cuts?|revs?) (?:now )?(?:clean(?:ly)?|fine|well|right|sweet(?:ly)?|perfect(?:ly)?"
              r"|nicely|properly|beautifully|strong(?:ly)?|smooth(?:ly)?|easily|steady|steadily)|(?:^|, |and |so )(?:cured|fixed|sorted|solved)\b"
              r"|cured the|fixed the|stopped the|sorted the|\w+(?:'s)? (?:cured|sorted|fixed)$|dry (?:now|since|again)|was the answer|nailed it|(?:was |the )?end of (?:the|it|that)|(?:has|have|had|'s) (?:now )?stopped|stopped (?:completely|altogether)"
              r"|(?:any ?more|any longer)(?=[.!]?$)|no longer|all good|came good|(?:is|'s|are|was|were) back\b(?! to)|got (?:it|her) (?:\w+ing|going)|(?:burst|sprang|sprung|came) (?:in)?to life|came alive|fired (?:right |straight )?up"
              r"|(?:off|away) (?:it|she) went|no sign of|perfectly|like (?:it|they|she) (?:should|ought|used)|as (?:it|they|she) should|every (?:time|bump|pull)|spot on|dried up|no (?:problems?|trouble|bother)(?= now| any|[.,]|$)|a doddle|(?:that|which) was that|(?:a )?different machine|crisp|thing of the past"
              r"|(?:has|have|is|was|'s) (?:now )?cleared|not a (?:drop|sign|hint|trace|peep|murmur|puff)|(?:hasn't|has not|haven't) [^.;]* since"
              r"|full (?:pressure|power|speed|drive|revs|output)(?= again| now| back)|(?:it's|is|stays?|stayed|all) (?:bone )?dry|stays? (?:on|down|put|cool|up)\b|keeps? (?:running|going)"
              r"|turns? over (?:fine|well|easily)|(?:clean|free|smooth)ly|(?:is|was|are) history|cleared (?:it )?up"
              r"|steady (?:now|revs|as|idle)|\w+ (?:sorted|cured|fixed|gone)(?=[.!]?$)|(?:carries|takes|holds) (?:the |a |full )?load|bone dry|without (?:a|any|so much as a) \\w+|without (?:trouble|stopping|stalling|dying|bogging|complaint|a cough)|goes? through|not? (?:\w+ )?any ?more"),
    ("better", r"(?:bit|lot|much|little|slightly|somewhat|is|'s|was|it|ran|runs|got|far|things) better|^better\b|, better\b|it helped|that helped|helped (?:a|some|the)"
               r"|improved|improvement|but (?:it )?still not|not there yet|more power"),
)
_EFFECT = re.compile("|".join(f"(?P<e{position}>(?:{words}))" for position, (_result, words) in enumerate(_EFFECTS)), re.IGNORECASE)


class Cue(NamedTuple):
    """A phrase of effect at characters `start` to `end` of its sentence."""

    result: Result
    start: int
    end: int


def effects_in(sentence: str) -> list[Cue]:
    """The phrases of effect in a sentence, in order."""
    return [Cue(_EFFECTS[int(str(match.lastgroup)[1:])][0], match.start(), match.end()) for match in _EFFECT.finditer(sentence)]


_CURRENCY = r"(?:[€£$]|\b(?:euros?|eur|quid|pounds?|bucks?|dollars?|francs?)\b)"
_TENS = "(?:ten|fifteen|twenty|thirty|forty|fifty|sixty|seventy|eighty|ninety)"
_MONEY = re.compile(rf"(?:€|£|\$)\s?(?P<signed>\d{{1,5}}(?:[.,]\d\d)?)|(?P<named>\d{{1,5}}(?:[.,]\d\d)?|[a-z]+(?:[ -][a-z]+){{0,3}}) ?{_CURRENCY}"
                    rf"(?: (?P<cents>\d\d|{_TENS}(?:[ -][a-z]+)?)(?=[,.;]| and\b|$))?|(?P<bare>\d{{1,4}}[.,]\d\d)(?= in parts| for parts| parts|[,.;]| and |$)|"
                    r"(?P<parts>\d{1,4}|[a-z]+(?:[ -][a-z]+){0,3}) (?:in|for) parts|\b(?:for|cost|paid) (?P<cost>\d{1,4}[.,]\d\d)\b", re.IGNORECASE)
_NO_MONEY_BEHIND = re.compile(r"\s*(?:mm|cm|in\b(?! parts)|inch|thou|psi|bar|kpa|rpm|v\b|volt|ohm|kohm|turn|l\b|litre|ml|cc|hours?|h\b|min)", re.IGNORECASE)
_NO_MONEY_BEFORE = re.compile(r"\b(?:was|at|to|from|gap|is|of|than|and|measured)\s*$", re.IGNORECASE)


def money_in(text: str) -> Decimal | None:
    """What parts cost: "4.50", "six euros", "four fifty in parts". Pounds that are a pressure are none."""
    for match in _MONEY.finditer(text):
        words = next((value for key, value in match.groupdict().items() if value and key != "cents"), "")
        if match["bare"] and (_NO_MONEY_BEHIND.match(text, match.end()) or _NO_MONEY_BEFORE.search(text, 0, match.start())):
            continue
        if "pound" in match.group().lower() and re.search(r"pressure|compression|gauge|psi", text, re.IGNORECASE):
            continue
        value, cents = _sum(words), _sum(match["cents"] or "")
        if value is not None:
            return value + (cents / 100).quantize(Decimal("0.01")) if cents else value  # as money is written: 2.40
    return None


def _sum(words: str) -> Decimal | None:
    if words[:1].isdigit():
        return Decimal(words.replace(",", "."))
    parts = re.split(r"[ -]", words.lower())
    said = [*dropwhile(lambda part: number(part) is None, parts)]
    if whole := pair(" ".join(said)):
        return Decimal(f"{whole[0]}.{whole[1]}")  # "four fifty", "twenty-four fifty"
    value = number(" ".join(said))
    value = number(parts[-1]) if value is None else value
    return Decimal(f"{value:g}") if value else None


# What makes a time part of a finding and not of the bill: "dies after 10 min", "ran for an hour".
_NOT_WORK = re.compile(r"\b(?:after|for|every|within|ran|runs|run|running|held|holds|lasted|lasts|went|goes|until|till|under|over|at|another|died at|than)"
                       r"(?: (?:about|around|some|a|the|another|only|it|maybe|roughly))*\s*$", re.IGNORECASE)
_NOT_WORK_AFTER = re.compile(r"\s*(?:or so)?\s*(?:later|running|of (?:running|cutting|work)|without|before it|until|till|under|hot|old)\b", re.IGNORECASE)


def minutes_in(text: str) -> Decimal | None:
    """How long a step took, in minutes, where a time is told as work and not as part of a finding."""
    found = None
    for reading in find_readings(text):
        if (reading.unit in ("min", "h") and reading.high is None and not _NOT_WORK.search(text[: reading.start])
                and not _NOT_WORK_AFTER.match(text, reading.end) and not re.search(r"\b(?:ran|run)\b[^,;]*$", text[: reading.start])):
            found = Decimal(f"{reading.value * (60 if reading.unit == 'h' else 1):g}")
    return found


_SOURCES: tuple[tuple[Source, re.Pattern[str]], ...] = (
    ("maker's", re.compile(r"\b(?:genuine|original|oem|maker's) (?:part|one|\w+)\b", re.IGNORECASE)),
    ("pattern", re.compile(r"\b(?:pattern|aftermarket) (?:part|one|\w+)\b", re.IGNORECASE)),
    ("used", re.compile(r"\b(?:used|second[- ]hand) (?:part|one)\b|\bfrom (?:a|the) donor\b|\bfrom (?:a|the) scrap", re.IGNORECASE)),
    ("made here", re.compile(r"\bhome[- ]?made\b|\bmade (?:one|it) (?:myself|here|up)\b", re.IGNORECASE)))


def source_in(text: str) -> Source | None:
    """Where a fitted part came from, where it is said."""
    return next((source for source, pattern in _SOURCES if pattern.search(text)), None)
