"""Device descriptions from a terminal's own task data, taken over unchanged; nothing of an implement is made up."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from xml.etree.ElementTree import Element

from greengap.errors import InputProblem
from greengap.task_data import COUNT_RATE, DEPTH, TaskData, Value

BIN = "3"  # type of an element that holds seed


def with_devices(data: TaskData, terminal: TaskData, shown: str) -> TaskData:
    """Task data with the devices of a terminal, each value set on the element that can take it.

    Parameters
    ----------
    data : TaskData
        To be written.
    terminal : TaskData
        Read from the terminal.
    shown : str
        Name of the terminal's file as the user knows it.

    Returns
    -------
    TaskData

    Raises
    ------
    InputProblem
        If it describes no device, or none that takes the rate.
    """
    if not terminal.devices:
        what = "describes no device"
        raise InputProblem(shown, "", what, "Connect the drill, save the task data on the terminal, and give that file")
    rate = next(v.ddi for t in data.tasks for z in t.zones for v in z.values)
    takes = {ddi: list(_elements(terminal.devices, ddi)) for ddi in (rate, DEPTH)}
    if not takes[rate]:
        other = "a profile for rates by mass" if rate == COUNT_RATE else "a profile for rates by seed count"
        what = f"no device in it takes a rate as DDI {rate}"
        raise InputProblem(shown, "", what, f"Use {other}, or leave the file out")
    tasks = []
    for task in data.tasks:
        zones = []
        for zone in task.zones:
            box: dict[str, int] = {}  # the first product goes into the first bin
            values = []
            for value in zone.values:
                number = box.setdefault(value.product, len(box))
                fit = takes[value.ddi]
                element = fit[min(number, len(fit) - 1)] if fit else ""
                values.append(Value(value.ddi, value.number, value.product, element))
            zones.append(replace(zone, values=tuple(values)))
        tasks.append(replace(task, zones=tuple(zones)))
    return replace(data, tasks=tuple(tasks), devices=terminal.devices)


def _elements(devices: tuple[Element, ...], ddi: str) -> Iterator[str]:
    """Ids of the elements that a process value can be set on, bins first."""
    for device in devices:
        objects = {d.get("A") for d in device.findall("DPD") if (d.get("B") or "").upper() == ddi}
        fit = [d for d in device.findall("DET") if objects & {r.get("A") for r in d.findall("DOR")}]
        for element in sorted(fit, key=lambda d: d.get("C") != BIN):
            yield element.get("A", "")
