"""The box itself: survey, gate-report."""

from __future__ import annotations

import argparse
import os
import sys
import warnings
from pathlib import Path
from typing import Any

from dooryard.cli.shared import add_context_options, context_of


def add(commands: Any) -> None:
    """Add the commands to `commands`, what `ArgumentParser.add_subparsers` returned."""
    survey = commands.add_parser(
        "survey", help="check camera, sensors, model, disk, clock, network and sinks"
    )
    add_context_options(survey)
    survey.add_argument("--json", action="store_true", help="print it for other programs")
    survey.add_argument("--no-button", action="store_true", help="don't ask for a button press")
    survey.add_argument(
        "--picture", type=Path, metavar="FILE", help="keep a picture of the whole view, the region drawn in"
    )
    survey.set_defaults(command=_survey)

    report = commands.add_parser("gate-report", help="where the view keeps moving, and what that costs")
    add_context_options(report)
    report.add_argument("--picture", type=Path, metavar="FILE", help="write the map as a PNG")
    report.set_defaults(command=_gate_report)


def _survey(arguments: argparse.Namespace) -> int:
    from dooryard.box.sensors import build
    from dooryard.button.push import PushButton
    from dooryard.core.clock import SystemClock
    from dooryard.sensors.kinds import Machine
    from dooryard.survey.assemble import checks
    from dooryard.survey.lines import survey
    from dooryard.survey.view import check_name

    if arguments.picture is not None:
        check_name(arguments.picture)
    context = context_of(arguments)
    sensors = build(context.box.sensor, Machine(state_folder=context.base))
    clock, button = SystemClock(), None
    if context.box.button is not None and not arguments.no_button:
        button = PushButton(context.box.button.pin, clock)
    asked = checks(
        context.box, context.base, context.policy, clock, os.environ,
        sensors=sensors, button=button, view=arguments.picture,
    )  # fmt: skip
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the pin library's list of what it tried; the button's line says it
        found = survey(asked)
    print(found.json() if arguments.json else found.text())
    return found.exit_code


def _gate_report(arguments: argparse.Namespace) -> int:
    from dooryard.cli.gate_report import gate_report

    context = context_of(arguments)
    size = (context.box.camera.luma_height, context.box.camera.luma_width)
    return gate_report(context.state_folder, size, arguments.picture, sys.stdout)
