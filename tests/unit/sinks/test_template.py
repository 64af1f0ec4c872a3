from __future__ import annotations

import json
import string

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dooryard.sinks.template import EXAMPLES, TemplateError, parse_json_template, parse_template

VALUES = dict(EXAMPLES) | {"title": 'a "wren" \\ two\nlines 🐦', "species": None}
texts = st.text(st.characters(exclude_categories=["Cs"]), max_size=30)


def test_plain_text_is_filled_in() -> None:
    template = parse_template("$title: ${text} ($sure, $urgent, $species) costs $$5 {title}")
    assert template.names == {"title", "text", "sure", "urgent", "species"}
    shown = template.filled(EXAMPLES)
    assert shown == f"{EXAMPLES['title']}: {EXAMPLES['text']} (0.91, false, ) costs $5 {{title}}"


def test_a_json_template_escapes_inside_strings_and_makes_values_outside() -> None:
    template = parse_json_template(
        '{"say": "$title, \\"quoted\\" $$1", "sure": $sure, "urgent": $urgent,\n "who": $species, "id": $id}'
    )
    assert json.loads(template.filled(VALUES)) == {
        "say": str(VALUES["title"]) + ', "quoted" $1',
        "sure": 0.91,
        "urgent": False,
        "who": None,
        "id": EXAMPLES["id"],
    }


@given(st.dictionaries(st.sampled_from(["title", "text", "visitor", "species"]), texts))
def test_any_value_keeps_a_json_template_whole(values: dict[str, str]) -> None:
    template = parse_json_template('["$title$text", $visitor, "\\\\$species"]')
    all_values = dict(EXAMPLES) | {"species": "x"} | values
    assert json.loads(template.filled(all_values)) == [
        f"{all_values['title']}{all_values['text']}",
        all_values["visitor"],
        f"\\{all_values['species']}",
    ]


@given(st.text(st.sampled_from('ab $\n{}\\"'), max_size=40))
def test_agrees_with_the_standard_librarys_templates(text: str) -> None:
    # Source: Python's string.Template, whose notation this is.
    theirs: str | None
    try:
        theirs = string.Template(text).substitute({})
    except (KeyError, ValueError):
        theirs = None
    try:
        ours: str | None = parse_template(text).filled(EXAMPLES)
    except TemplateError:
        ours = None
    assert ours == theirs


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("a\nb $titel", 'line 2, column 3: unknown placeholder "$titel" (did you mean "$title"?)'),
        ("$", "line 1, column 1: a $ without a name after it; write $$ for a dollar sign"),
        ("cost: 5 $ each", "line 1, column 9: a $ without a name after it; write $$ for a dollar sign"),
        ("${ title }", "line 1, column 1: a $ without a name after it; write $$ for a dollar sign"),
    ],
)
def test_what_cannot_be_filled_in_is_an_error_with_its_place(text: str, message: str) -> None:
    with pytest.raises(TemplateError) as caught:
        parse_template(text)
    assert str(caught.value) == message


def test_an_unknown_placeholder_without_a_neighbour_lists_them_all() -> None:
    with pytest.raises(TemplateError, match="there are id, kind, title") as caught:
        parse_template("one\n two $zzzzzz")
    assert (caught.value.line, caught.value.column) == (2, 6)


@pytest.mark.parametrize(
    ("text", "line"),
    [('{"a": "$title"', 1), ('{\n"a": $title\n"b": 1}', 3), ('{"a":\n "$text}', 2), ("$title $text", 1)],
)
def test_what_would_not_become_json_is_an_error_with_its_line(text: str, line: int) -> None:
    with pytest.raises(TemplateError, match="is not valid JSON here") as caught:
        parse_json_template(text)
    assert caught.value.line == line


def test_every_placeholder_of_the_examples_is_provided() -> None:
    from dooryard.sinks.body import values_of
    from unit.outbox.builders import alert, visit

    assert values_of(alert(1, visit(1)), b"x").keys() == EXAMPLES.keys()
