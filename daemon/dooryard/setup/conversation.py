"""The questions in the order that an owner expects them, each answer tried at once."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

from dooryard.core.errors import ConfigError
from dooryard.setup import questions as q
from dooryard.setup import towns
from dooryard.setup.answers import Answers, CameraChoice, CameraKind, Location, Mail, PushAddress
from dooryard.setup.asker import Asker, Question, yes_or_no
from dooryard.setup.trials import Trials

FAR_KM = 250.0  # from any town: more likely a slip than a garden
MOST_SHOWN = 9
_FLAG_OF = {"push": q.PUSH.flag, "mail": q.MAIL_TO.flag, "folder": q.PAGES.flag}
_KINDS: dict[str, CameraKind] = {"picamera": "picamera", "scene": "scene", "folder": "folder"}


def converse(
    asker: Asker, trials: Trials, known: Mapping[str, str], *, usual_camera: str, here: str | None
) -> Answers:
    """All answers. `known`: name -> group of each visitor; `here` is the system's own time zone, if any.

    Raises ConfigError for an answer that is missing or will not do, with its flag.
    """
    name = asker.ask(q.NAME)
    where, zone = _where(asker, here)
    zone = asker.ask(q.TIME_ZONE, zone)
    tell = asker.ask(q.tell(known))
    answers = Answers(name, where, zone, tell, quiet=None)
    quiet = asker.settled(
        lambda: asker.ask(q.QUIET), lambda quiet: trials.policy(replace(answers, quiet=quiet)), q.QUIET.flag
    )
    answers = replace(answers, quiet=quiet)
    answers = _ways_out(asker, trials, answers)
    return replace(answers, camera=_camera(asker, trials, answers, usual_camera))


def _where(asker: Asker, here: str | None) -> tuple[Location, str]:
    """The place, and the time zone that is found from it."""
    text = asker.ask(q.WHERE, _town_of(here))
    while True:
        try:
            place = towns.position(text)
        except ValueError as error:
            text = _where_anew(asker, str(error))
            continue
        if place is not None:
            town, away_km = towns.nearest(*place)
            if away_km <= FAR_KM or _is_meant(asker, place, away_km, town):
                asker.say(f"  {away_km:.0f} km from {town.text}.")
                return Location(*place, f"{away_km:.0f} km from {town.text}"), town.zone
            text = _where_anew(asker, "")
            continue
        found = _town(asker, text)
        if isinstance(found, towns.Town):
            return Location(found.latitude, found.longitude, found.text), found.zone
        text = _where_anew(asker, found)


def _where_anew(asker: Asker, problem: str) -> str:
    """Ask again, after what was wrong. Raises ConfigError where nobody is there to ask."""
    if not asker.attended:
        raise ConfigError(f"--{q.WHERE.flag}: {problem}", f"mend --{q.WHERE.flag}; {q.WHERE.explained}")
    if problem:
        asker.say(f"  Not understood: {problem}")
    asker.forget(q.WHERE)
    return asker.ask(q.WHERE)


def _is_meant(asker: Asker, place: tuple[float, float], away_km: float, town: towns.Town) -> bool:
    """Whether a place far from everybody is meant. Raises ConfigError where nobody is there to ask."""
    latitude, longitude = place
    problem = f"the nearest town, {town.text}, is {away_km:.0f} km away"
    if abs(longitude) <= 90 and (other := towns.nearest(longitude, latitude))[1] < FAR_KM:
        problem += f"; degrees north go first: {longitude:g}, {latitude:g} would be near {other[0].text}"
    question = Question(
        "where-is-meant", "Is it meant so", f"  {latitude:g}, {longitude:g}: {problem}.",
        "Degrees north go first, negative for south; then degrees east, negative for west.", yes_or_no, "no",
    )  # fmt: skip
    if not asker.attended:
        raise ConfigError(f"--{q.WHERE.flag}: {problem}", "name the nearest town instead")
    return asker.ask(question)


def _town(asker: Asker, text: str) -> towns.Town | str:
    """The town that is meant; or what is wrong with the answer."""
    found = towns.found(text)
    if not found:
        return (
            f'no town of 5000 inhabitants or more is called "{text}"{towns.near_names(text)};'
            " try a larger one nearby, or write latitude and longitude"
        )
    if len(found) == 1:
        return found[0]
    shown = found[:MOST_SHOWN]
    if not asker.attended:
        names = "; ".join(town.text for town in shown)
        return f'several towns are called "{text}": {names}; write which, with its country'
    lines = [f"    {number} {town.text} ({town.latitude:.2f}, {town.longitude:.2f})"
             for number, town in enumerate(shown, 1)]  # fmt: skip
    question = Question(
        "which-town", "Which one", "\n".join([f"  There are {len(found)} of that name:", *lines]),
        "Its number; 0: none of them. The largest stands first; a country or state after a comma helps, too.",
        _number(len(shown)), "1",
    )  # fmt: skip
    number = asker.ask(question)
    return shown[number - 1] if number else "none of them, then"


def _number(most: int) -> Callable[[str], int]:
    def read(text: str) -> int:
        if not (text.isascii() and text.isdigit() and 0 <= int(text) <= most):
            raise ValueError(f"write a number from 0 to {most}")
        return int(text)

    return read


def _town_of(zone: str | None) -> str | None:
    """The largest town of the system's time zone, as what may be meant; None where the zone says nothing."""
    town = next((town for town in towns.towns() if town.zone == zone), None)
    return None if town is None else f"{town.name}, {town.code}"


def _ways_out(asker: Asker, trials: Trials, answers: Answers) -> Answers:
    named = [way for way, flag in _FLAG_OF.items() if asker.has(flag)]
    ways = tuple(named) if named and not asker.has(q.TO.flag) else asker.ask(q.TO)
    if "push" in ways:
        push = asker.settled(lambda: _push(asker), lambda push: trials.push(replace(answers, push=push)),
                             q.PUSH.flag)  # fmt: skip
        answers = replace(answers, push=push)
    if "mail" in ways:
        mail = asker.settled(lambda: _mail(asker), lambda mail: trials.mail(replace(answers, mail=mail)),
                             q.MAIL_HOST.flag)  # fmt: skip
        answers = replace(answers, mail=mail)
    if "folder" in ways:
        pages = asker.settled(lambda: asker.ask(q.PAGES), trials.pages, q.PAGES.flag)
        answers = replace(answers, pages=pages)
    return answers


def _push(asker: Asker) -> PushAddress:
    return PushAddress(asker.ask(q.PUSH), asker.ask(q.SHAPE), asker.ask(q.TOKEN))


def _mail(asker: Asker) -> Mail:
    to = asker.ask(q.MAIL_TO)
    sender = asker.ask(q.MAIL_FROM, to)
    host = asker.ask(q.MAIL_HOST)
    security = asker.ask(q.MAIL_SECURITY)
    port = asker.ask(q.MAIL_PORT)
    user = asker.ask(q.MAIL_USER, "none" if security == "none" else sender)
    password = asker.ask(q.MAIL_PASSWORD) if user else None
    return Mail(to, sender, host, security, port, user, password)


def _camera(asker: Asker, trials: Trials, answers: Answers, usual: str) -> CameraChoice:
    def make() -> CameraChoice:
        kind = _KINDS[asker.ask(q.CAMERA, usual)]
        return CameraChoice(kind, asker.ask(q.RECORDING) if kind == "folder" else None)

    return asker.settled(make, lambda camera: trials.camera(replace(answers, camera=camera)), q.CAMERA.flag)
