"""A bound text as a script: which slide stands behind which paragraph, how long it takes to say it.

A paragraph names its slide (`[slide: title dell]`). From that come the script with slide numbers, a
list of cues with times, and chapters from the headings; and, after a correction, what to replace.
"""

from __future__ import annotations

import contextlib
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from kit.charts.slides import Slide
from kit.charts.style import file_stem
from kit.claims.bound_text import SLIDE, BoundText, restate, write_marks
from kit.claims.claim import ClaimBook
from kit.errors import Fault, TextError, UsageError, did_you_mean
from kit.page.slides import make_slides

# Common practice, no source: a speaker says about 150 words a minute; a figure counts as three.
_WORDS_A_MINUTE, _WORDS_A_FIGURE = 150, 3


@dataclass(frozen=True, slots=True)
class _Paragraph:
    """One paragraph to be said, or a heading, with its slides and when it begins."""

    line: int
    text: str
    slides: tuple[int, ...]
    begins_s: float
    ends_s: float

    @property
    def is_heading(self) -> bool:
        return self.text.startswith("#")


@dataclass(frozen=True, slots=True)
class _Script:
    """A text with its slides and times.

    Attributes
    ----------
    paragraphs : tuple
        In the text's order, headings among them.
    slides : tuple of Slide
        Those of the review, in the order of their numbers.
    """

    paragraphs: tuple[_Paragraph, ...]
    slides: tuple[Slide, ...]

    def write(self, folder: Path) -> list[Path]:
        """Write the files into a folder, made if it is not there; return them."""
        folder.mkdir(parents=True, exist_ok=True)
        files = self.to_files()
        for name, data in files.items():
            (folder / name).write_bytes(data)
        return [folder / name for name in files]

    @property
    def not_used(self) -> tuple[str, ...]:
        """Slides that no paragraph names, as "24 prices-street"."""
        used = {number for p in self.paragraphs for number in p.slides}
        return tuple(self._name(n) for n in range(1, len(self.slides) + 1) if n not in used)

    @property
    def without_slide(self) -> tuple[_Paragraph, ...]:
        """Paragraphs that name no slide."""
        return tuple(p for p in self.paragraphs if not p.is_heading and not p.slides)

    def _name(self, number: int) -> str:
        return file_stem(f"{number:02d}", self.slides[number - 1].name)

    def to_lines(self) -> list[str]:
        """Return what is said of it: how long it is, slides not used, paragraphs without."""
        spoken = [p for p in self.paragraphs if not p.is_heading]
        end = spoken[-1].ends_s if spoken else 0.0
        lines = [f"{len(spoken)} paragraphs, about {_clock(end)}"]
        lines += [f"slide not used: {name}" for name in self.not_used]
        lines += [
            f"no slide: line {p.line}: {' '.join(p.text.split())[:60]}" for p in self.without_slide
        ]
        return lines

    def to_files(self) -> dict[str, bytes]:
        """Return `script.md`, `cues.srt` and `chapters.txt`, each by its name."""
        script: list[str] = []
        cues: list[str] = []
        chapters: list[str] = []
        for p in self.paragraphs:
            if p.is_heading:
                chapters.append(f"{_clock(p.begins_s)} {p.text.lstrip('# ')}")
                script.append(p.text)
                continue
            shown = ", ".join(self._name(number) for number in p.slides) or "no slide"
            length = round(p.ends_s - p.begins_s)
            script.append(f"**[{shown}]** ({_clock(p.begins_s)}, {length} s)\n\n{p.text}")
            times = f"{_stamp(p.begins_s)} --> {_stamp(p.ends_s)}"
            cues.append(f"{len(cues) + 1}\n{times}\n[{shown}]\n{' '.join(p.text.split())}\n")
        script.append("## Slides and paragraphs left\n")
        script[-1] += "\n".join(f"- {line}" for line in self.to_lines()[1:]) or "- none"
        texts = {"script.md": "\n\n".join(script) + "\n", "cues.srt": "\n".join(cues),
                 "chapters.txt": "\n".join(chapters) + "\n"}  # fmt: skip
        return {name: text.encode() for name, text in texts.items()}


def _clock(seconds: float) -> str:
    """Return minutes and seconds, as "02:05"."""
    return f"{int(seconds) // 60:02d}:{int(seconds) % 60:02d}"


def _stamp(seconds: float) -> str:
    """Return a time as a list of cues has it, as "00:02:05,250"."""
    whole, thousandths = divmod(round(seconds * 1000), 1000)
    return f"{whole // 3600:02d}:{whole // 60 % 60:02d}:{whole % 60:02d},{thousandths:03d}"


def _spoken_s(text: str) -> float:
    """Return how long a text takes to say, in seconds."""
    words = text.replace("\u00a0", " ").split()
    count = sum(_WORDS_A_FIGURE if re.search(r"\d", word) else 1 for word in words)
    return count * 60 / _WORDS_A_MINUTE


def make_script(text: BoundText, slides: Sequence[Slide]) -> _Script:
    """Return a text as a script.

    Parameters
    ----------
    text : BoundText
    slides : sequence of Slide
        The review's, in the order of their numbers.

    Raises
    ------
    TextError
        With every slide named that there is not.
    """
    numbers = {slide.name: number for number, slide in enumerate(slides, 1)}
    faults: list[Fault] = []
    paragraphs: list[_Paragraph] = []
    at = 0.0
    for line, block in text.paragraphs():
        found = []
        for mark in SLIDE.finditer(block):
            name = "-".join(mark["name"].split())
            if name in numbers:
                found.append(numbers[name])
            else:
                said = f'no slide "{mark["name"]}"{did_you_mean(name, numbers, listed=40)}'
                faults.append(Fault(text.file, said, line=line))
        plain = write_marks(block, text.language).strip()
        seconds = 0.0 if plain.startswith("#") else _spoken_s(plain)
        if plain:
            paragraphs.append(_Paragraph(line, plain, tuple(found), at, at + seconds))
            at += seconds
    if faults:
        raise TextError(faults)
    return _Script(tuple(paragraphs), tuple(slides))


@dataclass(frozen=True, slots=True)
class PrintedChange:
    """One figure or bound word, printed on a slide or in a text, that now reads otherwise.

    Attributes
    ----------
    place : str
        "slide 07-title-dell", or "text, line 12".
    what : str
        A claim's id, "title", or a reference as written.
    old, new : str
        What is printed, with its outcome; "" where nothing is.
    """

    place: str
    what: str
    old: str
    new: str


def changed_prints(old: ClaimBook, new: ClaimBook, text: str) -> tuple[PrintedChange, ...]:
    """Return what of the slides and text of a review reads otherwise by other claims.

    Parameters
    ----------
    old, new : ClaimBook
        The claims that slides and text were made from, and those that hold now.
    text : str
        The text's source, "" for none.

    Returns
    -------
    tuple of PrintedChange
        Slides in the order of their old numbers, then the text's lines.
    """
    was, now = _printed_on_slides(old), _printed_on_slides(new)
    found = []
    for number, (name, before) in enumerate(was.items(), 1):
        place, after = f"slide {file_stem(f'{number:02d}', name)}", now.get(name, {})
        for what in dict.fromkeys((*before, *after)):
            pair = before.get(what, ""), after.get(what, "")
            if pair[0] != pair[1]:
                found.append(PrintedChange(place, what, *pair))
    found += [PrintedChange(f"slide {n}, new", "", "", "") for n in now if n not in was]
    said = restate(text, new)
    for (line, written), before_text in restate(text, old).items():
        if before_text != said[line, written]:
            place = f"text, line {line}"
            found.append(PrintedChange(place, written, before_text, said[line, written]))
    return tuple(found)


def _printed_on_slides(book: ClaimBook) -> dict[str, dict[str, str]]:
    """Return what each slide prints, by its name: its title, and figures by their claims."""
    slides: list[Slide] = []
    for wanted in (book.settings.get("slides") or (), ()):
        # Slides named in params may be gone; claims of an older form, or a stranger's, give none.
        with contextlib.suppress(UsageError, LookupError, ValueError, TypeError, AttributeError):
            slides = slides or make_slides(book, wanted)
    return {
        slide.name: {"title": slide.titles[0]}
        | {c.id: f"{t}, {c.outcome}" if c.outcome else t for c, t in slide.printed}
        for slide in slides
    }
