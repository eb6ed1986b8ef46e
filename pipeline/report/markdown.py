"""The answer of a report as Markdown, for an e-mail: sentences, sites, the worst events."""

from __future__ import annotations

import re
from typing import Final

from halfcycle.pipeline.locales import written_in
from halfcycle.pipeline.report.content import Content
from halfcycle.pipeline.report.drawing import printable
from halfcycle.pipeline.report.event_words import duration_words, magnitude_words
from halfcycle.pipeline.report.page import CAUTIONS

_SPECIAL: Final = re.compile(r"([\\`*_\[\]<>#|~&])")


def summary(content: Content) -> str:
    """The answer in Markdown.

    Parameters
    ----------
    content : of the report.

    Returns
    -------
    Text whose words from files are words: marks of Markdown in them are spelled out.
    """
    with written_in(content.manner):
        return _written(content)


def _written(content: Content) -> str:
    lines = [f"# {plain_markdown(content.title)}", ""]
    lines += [plain_markdown(sentence.text) + "\n" for sentence in content.lead]
    for answer in content.answers:
        lines += [f"## {plain_markdown(answer.site)}", ""]
        lines += [f"- {plain_markdown(sentence.text)}" for sentence in answer.sentences]
        lines.append("")
    if content.events:
        lines += [
            "## The worst events",
            "",
            "| where and what | when | magnitude | duration |",
            "| --- | --- | --- | --- |",
        ]
        for view in content.events:
            cells = (view.title, view.when, magnitude_words(view.event), duration_words(view.event))
            lines.append("| " + " | ".join(plain_markdown(cell) for cell in cells) + " |")
        lines.append("")
    lines += [f"> {plain_markdown(caution)}" for caution in CAUTIONS]
    return "\n".join(lines) + "\n"


def plain_markdown(text: str) -> str:
    """Words as Markdown shows them, on one line."""
    return _SPECIAL.sub(r"\\\1", " ".join(printable(text).split()))
