"""Edits as a person makes them, turned into what changes in the rows of the farm file.

Each function takes the rows and what was asked for and gives a patch with its words; none of them writes.
Words are a key of the text catalogue and what goes into it, so that the history can be read in any language.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from datetime import date
from typing import Any

import shapely
from shapely.geometry import MultiPolygon, Polygon, shape

from greengap.farm import drawing
from greengap.farm.fields import geodesic_area_m2
from greengap.web.store import CROP_COLUMNS, SOFT, Patch, Rowset

MOST_BLOCKS = 2_000
MOST_CROPS = 20_000
LONGEST_NAME = 60
MOST_KEPT = 8  # plans kept to compare with
MOST_SPRAYS = 500
SPRAYS = "planned_sprays"  # setting that lists what is to be sprayed
# Settings that list blocks, or hold something for a block: the tables that they stand in, and their key.
OF_BLOCKS = (
    ("irrigation",), ("tile_drained",), ("cold_offset_degc",), ("diseases",), ("growers_word",),
    ("machinery", "beds"), ("machinery", "headings"), ("irrigation_set", "blocks"),
)  # fmt: skip

Change = tuple[Patch, list[Any]]


class EditProblem(ValueError):
    """An edit that cannot be made: a key of the text catalogue, what goes into it, and the field it concerns."""

    def __init__(self, key: str, field: str = "", **words: Any) -> None:
        self.key, self.field, self.words = key, field, words
        super().__init__(f"{key} {words}")


# ---- small parts --------------------------------------------------------------------------------


def outline_of(row: dict[str, Any]) -> Polygon | MultiPolygon:
    """The outline of a row of blocks."""
    found: Polygon | MultiPolygon = shape(row["geometry"])
    return found


def geojson(outline: Polygon | MultiPolygon) -> dict[str, Any]:
    """An outline as GeoJSON, coordinates to about a millimetre."""
    import json

    rounded = shapely.transform(outline, lambda xy: xy.round(8))
    found: dict[str, Any] = json.loads(shapely.to_geojson(rounded if rounded.is_valid else outline))
    return found


def clean_name(name: str, rows: Rowset, besides: Iterable[str] = ()) -> str:
    """A block name that can be used, or an explanation why not.

    Raises
    ------
    EditProblem
    """
    name = re.sub(r"\s+", " ", name).strip()
    if not name:
        raise EditProblem("name_empty", "name")
    if len(name) > LONGEST_NAME:
        raise EditProblem("name_long", "name", most=LONGEST_NAME)
    if any(ord(c) < 32 for c in name) or "/" in name:
        raise EditProblem("name_sign", "name", name=name)

    def key(text: str) -> str:
        return re.sub(r"\s", "", text).casefold()

    for other in rows.blocks:
        if other not in besides and key(other) == key(name):
            raise EditProblem("name_taken", "name", name=other)
    return name


def free_name(stem: str, rows: Rowset, besides: Sequence[str] = ()) -> str:
    """The first of "stem 1", "stem 2", ... that no block has."""
    taken = {n.casefold() for n in (*rows.blocks, *besides)}
    number = 1
    while f"{stem} {number}".casefold() in taken:
        number += 1
    return f"{stem} {number}"


def _known(rows: Rowset, block: str) -> dict[str, Any]:
    if block not in rows.blocks:
        raise EditProblem("no_block", "block", block=block)
    found: dict[str, Any] = rows.blocks[block]
    return found


def new_key(rows: Rowset, table: str, taken: Iterable[str] = ()) -> str:
    """A key that no row of a table has, nor any that is about to come."""
    numbers = [int(k[1:]) for k in (*rows.table(table), *taken) if k[1:].isdigit()]
    return f"{table[0]}{max(numbers, default=0) + 1}"


def _settings_of_blocks(rows: Rowset, renamed: dict[str, list[str]]) -> dict[str, list[Any]]:
    """Settings that name blocks, after blocks got other names (or none)."""
    after = rows.settings
    for path in OF_BLOCKS:
        after = _with_names(after, path, renamed)
    keys = {path[0] for path in OF_BLOCKS if after.get(path[0]) != rows.settings.get(path[0])}
    out = {key: [rows.settings[key], after[key]] for key in sorted(keys)}
    sprays = rows.settings.get(SPRAYS)
    if sprays and any(s.get("block") in renamed for s in sprays):
        moved: list[dict[str, Any]] = []
        for spray in sprays:
            names = renamed.get(spray["block"], [spray["block"]]) if spray.get("block") else [""]
            made = [{**spray, "block": name} if name else spray for name in names]
            moved += [one for one in made if one not in moved]  # of blocks that became one
        out[SPRAYS] = [sprays, moved or None]
    return out


def _with_names(held: dict[str, Any], path: Sequence[str], renamed: dict[str, list[str]]) -> dict[str, Any]:
    """Settings with other names of blocks in the list or table that a path leads to."""
    key, *rest = path
    value = held.get(key)
    if rest and isinstance(value, dict):
        return {**held, key: _with_names(value, rest, renamed)}
    if not rest and isinstance(value, list):
        return {**held, key: list(dict.fromkeys(n for b in value for n in renamed.get(b, [b])))}
    if not rest and isinstance(value, dict):
        return {**held, key: {n: v for b, v in value.items() for n in renamed.get(b, [b])}}
    return held


def _rename(rows: Rowset, renamed: dict[str, list[str]], keep_crops_of: str | None = None) -> Patch:
    """What follows a block's new names: crops, choices and settings go with it, once for each new name.

    `keep_crops_of` names the one old block whose crops go on where several blocks become one.
    """
    patch: Patch = {"crops": {}, "choices": {}}
    for table in ("crops", "choices"):
        for key, row in rows.table(table).items():
            if row["block"] not in renamed:
                continue
            names = renamed[row["block"]]
            if keep_crops_of is not None and row["block"] != keep_crops_of:
                names = []
            patch[table][key] = [row, {**row, "block": names[0]} if names else None]
            for name in names[1:]:
                new = new_key(rows, table, patch[table])
                patch[table][new] = [None, {**row, "block": name}]
    settings = _settings_of_blocks(rows, renamed)
    if settings:
        patch["settings"] = settings
    return {table: changed for table, changed in patch.items() if changed}


# ---- outlines -----------------------------------------------------------------------------------


def draw(rows: Rowset, rings: Sequence[Sequence[Sequence[float]]], name: str, field: str) -> Change:
    """A new block."""
    if len(rows.blocks) >= MOST_BLOCKS:
        raise EditProblem("blocks_many", most=MOST_BLOCKS)
    name = clean_name(name or free_name("Block", rows), rows)
    outline = drawing.usable(polygon(rings))
    row = {"field": field.strip() or name, "geometry": geojson(outline)}
    return {"blocks": {name: [None, row]}}, ["did_draw", {"block": name}]


def polygon(rings: Sequence[Sequence[Sequence[float]]]) -> Polygon:
    """A polygon of rings as drawn, the first around it, the others cut out."""
    if not rings:
        raise drawing.DrawingProblem("corners_few", "an outline needs three corners")
    outer, *holes = [drawing.ring(r) for r in rings]
    return Polygon(outer.exterior, [h.exterior for h in holes])


_Parts = Sequence[Sequence[Sequence[Sequence[float]]]]


def reshape(rows: Rowset, block: str, parts: _Parts, also: Mapping[str, _Parts] | None = None) -> Change:
    """Another outline for a block, as polygons of rings.

    Parameters
    ----------
    also : mapping of block to parts, optional
        Neighbours whose shared corners moved along; they are kept in the same edit or not at all.
    """
    changed = {}
    for name, own in ((block, parts), *(also or {}).items()):
        before = _known(rows, name)
        made = [polygon(rings) for rings in own]
        if not made:
            raise drawing.DrawingProblem("corners_few", "an outline needs three corners")
        outline = drawing.usable(made[0] if len(made) == 1 else MultiPolygon(made))
        changed[name] = [before, {**before, "geometry": geojson(outline)}]
    others = [name for name in changed if name != block]
    if others:
        return {"blocks": changed}, ["did_reshape_shared", {"block": block, "others": ", ".join(others)}]
    return {"blocks": changed}, ["did_reshape", {"block": block}]


def rename(rows: Rowset, block: str, name: str, field: str) -> Change:
    """Another name for a block; its crops and choices go with it."""
    before = _known(rows, block)
    name = clean_name(name, rows, besides=[block])
    after = {**before, "field": field.strip() or name}
    if name == block:
        return {"blocks": {block: [before, after]}}, ["did_rename", {"block": block, "name": name}]
    patch = _rename(rows, {block: [name]})
    patch["blocks"] = {block: [before, None], name: [None, after]}
    return patch, ["did_rename", {"block": block, "name": name}]


def sown_share(rows: Rowset, block: str, share: float) -> Change:
    """How much of a block is sown."""
    before = _known(rows, block)
    after = {k: v for k, v in before.items() if k != "sown_share"} | ({"sown_share": share} if share < 1 else {})
    if after == before:
        raise EditProblem("nothing_changed", "share")
    return {"blocks": {block: [before, after]}}, ["did_sown_share", {"block": block, "share": f"{100 * share:.3g}"}]


def remove(rows: Rowset, block: str) -> Change:
    """Take a block out, with its crops and choices."""
    patch = _rename(rows, {block: []})
    patch["blocks"] = {block: [_known(rows, block), None]}
    return patch, ["did_remove", {"block": block}]


def split(rows: Rowset, block: str, line: Sequence[Sequence[float]]) -> Change:
    """Split a block along a line; every part keeps the block's crops and choices."""
    before = _known(rows, block)
    parts = drawing.split(outline_of(before), line)
    names: list[str] = []
    letter = 0
    while len(names) < len(parts):
        stem = f"{block}{' ' if block[-1].isalpha() else ''}{_letters(letter)}"  # 07a, but Pond a
        letter += 1
        try:
            names.append(clean_name(stem, rows, besides=[block]))
        except EditProblem as problem:
            if problem.key != "name_taken":
                raise
    patch = _rename(rows, {block: names})
    field = block if before.get("field") == block else before.get("field", block)
    patch["blocks"] = {block: [before, None]} | {
        name: [None, {**before, "field": field, "geometry": geojson(part)}]
        for name, part in zip(names, parts, strict=True)
    }
    return patch, ["did_split", {"block": block, "parts": ", ".join(names)}]


def _letters(number: int) -> str:
    """a, b, ... z, aa, ab, ..."""
    out = ""
    number += 1
    while number:
        number, rest = divmod(number - 1, 26)
        out = chr(97 + rest) + out
    return out


def make_beds(
    rows: Rowset, block: str, line: Sequence[Sequence[float]], pitch_m: float, width_m: float, count: int,
    as_blocks: bool,
) -> Change:  # fmt: skip
    """Beds of a block: each a block with its crops, or the block's sown share."""
    before = _known(rows, block)
    if width_m > pitch_m:
        raise EditProblem("bed_width", "width_m")
    whole = outline_of(before)
    made = drawing.beds(whole, line, pitch_m, width_m, count)
    said = {"block": block, "count": len(made)}
    if not as_blocks:
        share = min(sum(geodesic_area_m2(bed) for bed in made) / geodesic_area_m2(whole), 1.0)
        return {"blocks": {block: [before, {**before, "sown_share": share}]}}, ["did_beds", said]
    names: list[str] = []
    number = 0
    while len(names) < len(made):
        number += 1
        try:
            names.append(clean_name(f"{block} bed {number}", rows, besides=[block]))
        except EditProblem as problem:
            if problem.key != "name_taken":
                raise
    patch = _rename(rows, {block: names})
    field = block if before.get("field") == block else before.get("field", block)
    patch["blocks"] = {block: [before, None]} | {
        name: [None, {"field": field, "geometry": geojson(bed)}] for name, bed in zip(names, made, strict=True)
    }
    return patch, ["did_beds_blocks", said]


def make_buffer(rows: Rowset, block: str, width_m: float, open_only: bool, keep: bool) -> Change:
    """A buffer along the edge of a block, which gets so much smaller."""
    before = _known(rows, block)
    others = [outline_of(row) for name, row in rows.blocks.items() if name != block] if open_only else []
    inside, strip = drawing.buffer(outline_of(before), width_m, others)
    changed: dict[str, list[Any]] = {block: [before, {**before, "geometry": geojson(inside)}]}
    if keep:
        name = free_name(f"{block} buffer", rows)
        changed[name] = [None, {"field": before.get("field") or block, "geometry": geojson(strip)}]
    return {"blocks": changed}, ["did_buffer", {"block": block, "width": f"{width_m:g}"}]


def cut_out(rows: Rowset, block: str, hole: Sequence[Sequence[float]], reason: str = "", note: str = "") -> Change:
    """Take a ring of ground out of a block, with the reason where one is given."""
    before = _known(rows, block)
    ring = drawing.ring(hole)
    whole = outline_of(before)
    outline = drawing.cut_out(whole, ring)
    patch: Patch = {"blocks": {block: [before, {**before, "geometry": geojson(outline)}]}}
    place = shapely.intersection(whole, ring).representative_point()
    if reason and not any(Polygon(r).covers(place) for p in shapely.get_parts(outline) for r in p.interiors):
        return patch, ["did_cut_corner", {"block": block}]
    if reason:
        patch["settings"] = _reasons(rows, Polygon(ring.exterior), (place.x, place.y), reason, note)
    return patch, ["did_cut", {"block": block}]


def hole_reason(rows: Rowset, block: str, place: tuple[float, float], reason: str, note: str) -> Change:
    """Say why a hole is left out, or ("") no longer."""
    spot = shapely.Point(place)
    holes = [Polygon(ring) for part in shapely.get_parts(outline_of(_known(rows, block))) for ring in part.interiors]
    hole = next((h for h in holes if h.covers(spot)), None)
    if hole is None:
        raise EditProblem("no_hole", "reason", block=block)
    settings = _reasons(rows, hole, place, reason, note)
    if settings["cut_outs"][0] == settings["cut_outs"][1]:
        raise EditProblem("nothing_changed", "reason")
    return {"settings": settings}, ["did_hole_reason", {"block": block, "reason": reason, "note": note[:60]}]


def _reasons(rows: Rowset, hole: Polygon, place: tuple[float, float], reason: str, note: str) -> dict[str, list[Any]]:
    """The reasons of all holes with that of one; it takes the place of what was said of the same ground."""
    if reason == "other" and not note.strip():
        raise EditProblem("hole_note", "note")
    held = rows.settings.get("cut_outs")
    rest = [one for one in held or [] if not hole.covers(shapely.Point(one["lon"], one["lat"]))]
    words = " ".join(note.split())[:LONGEST_NAME]
    mine = {"lon": round(place[0], 7), "lat": round(place[1], 7), "reason": reason} | ({"note": words} if words else {})
    return {"cut_outs": [held, [*rest, *([mine] if reason else [])] or None]}


def merge(rows: Rowset, blocks: Sequence[str], name: str) -> Change:
    """Make neighbours one block; it goes on with the crops of the first of them."""
    blocks = list(dict.fromkeys(blocks))
    if len(blocks) < 2:
        raise EditProblem("merge_two", "blocks")
    before = {block: _known(rows, block) for block in blocks}
    name = clean_name(name or blocks[0], rows, besides=blocks)
    united = drawing.merge([outline_of(row) for row in before.values()])
    patch = _rename(rows, {block: [name] for block in blocks}, keep_crops_of=blocks[0])
    changed: dict[str, list[Any]] = {block: [row, None] for block, row in before.items()}
    first = before[blocks[0]]
    after = {
        "field": name if first.get("field") == blocks[0] else first.get("field", name),
        "geometry": geojson(united),
    }
    areas = [(geodesic_area_m2(outline_of(row)), float(row.get("sown_share", 1.0))) for row in before.values()]
    if any(share < 1 for _, share in areas):
        after["sown_share"] = sum(m2 * share for m2, share in areas) / sum(m2 for m2, _ in areas)
    changed[name] = [before.get(name), after]
    patch["blocks"] = changed
    return patch, ["did_merge", {"blocks": ", ".join(blocks), "name": name}]


def add_blocks(rows: Rowset, outlines: Sequence[tuple[str, str, Polygon | MultiPolygon]]) -> Change:
    """Blocks from a file; a name that is there already gets a number."""
    if len(rows.blocks) + len(outlines) > MOST_BLOCKS:
        raise EditProblem("blocks_many", most=MOST_BLOCKS)
    made: dict[str, list[Any]] = {}
    taken = {re.sub(r"\s", "", name).casefold() for name in rows.blocks}
    for name, field, outline in outlines:
        plain = re.sub(r"[/\x00-\x1f]", "-", re.sub(r"\s+", " ", name).strip())[:LONGEST_NAME] or "Block"
        unused, number = plain, 2
        while re.sub(r"\s", "", unused).casefold() in taken:
            unused, number = f"{plain} ({number})", number + 1
        taken.add(re.sub(r"\s", "", unused).casefold())
        made[unused] = [None, {"field": field or unused, "geometry": geojson(outline)}]
    return {"blocks": made}, ["did_import_blocks", {"count": len(made)}]


# ---- crop calendar ------------------------------------------------------------------------------


def checked_crop(row: dict[str, str], rows: Rowset) -> dict[str, str]:
    """A row of the calendar whose own cells make sense."""
    _known(rows, row["block"])
    for column in ("crop", "start", "end"):
        if not row.get(column):
            raise EditProblem("cell_empty", column)
    if row["establishment"] not in ("transplanted", "seeded", "planted"):
        raise EditProblem("establishment", "establishment")
    for column in ("start", "end", *SOFT):
        if not row.get(column):
            continue
        try:
            day = date.fromisoformat(row[column])
        except ValueError:
            raise EditProblem("not_a_date", column, date=row[column]) from None
        if not 1900 <= day.year <= 2200 or len(row[column]) != 10:
            raise EditProblem("not_a_date", column, date=row[column])
    if row["end"] < row["start"]:
        raise EditProblem("end_before_start", "end", start=row["start"], end=row["end"])
    for name in ("start", "end"):
        if (row.get(f"{name}_early") or row[name]) > row[name]:
            raise EditProblem("early_after_usual", f"{name}_early")
        if (row.get(f"{name}_late") or row[name]) < row[name]:
            raise EditProblem("late_before_usual", f"{name}_late")
    return row


def put_crop(rows: Rowset, key: str | None, row: dict[str, str]) -> Change:
    """Set a row of the crop calendar, or add one."""
    if key is not None and key not in rows.crops:
        raise EditProblem("no_crop", "key")
    if key is None and len(rows.crops) >= MOST_CROPS:
        raise EditProblem("crops_many", most=MOST_CROPS)
    after = checked_crop({c: (row.get(c) or "").strip() for c in CROP_COLUMNS}, rows)
    before = rows.crops.get(key) if key else None
    new = key or new_key(rows, "crops")
    said = {"block": after["block"], "crop": after["crop"], "start": after["start"], "end": after["end"]}
    return {"crops": {new: [before, after]}}, ["did_set_crop" if before else "did_add_crop", said]


def remove_crop(rows: Rowset, key: str) -> Change:
    """Take a row out of the crop calendar."""
    if key not in rows.crops:
        raise EditProblem("no_crop", "key")
    row = rows.crops[key]
    return {"crops": {key: [row, None]}}, ["did_remove_crop", {"block": row["block"], "crop": row["crop"]}]


def copy_crops(rows: Rowset, block: str, to: Sequence[str]) -> Change:
    """Give other blocks the crops of one; what stood there is replaced."""
    _known(rows, block)
    mine = [row for row in rows.crops.values() if row["block"] == block]
    if not mine:
        raise EditProblem("nothing_to_copy", "block", block=block)
    targets = [b for b in dict.fromkeys(to) if b != block]
    if not targets:
        raise EditProblem("copy_where", "to")
    changed: dict[str, list[Any]] = {}
    for target in targets:
        _known(rows, target)
        changed |= {key: [row, None] for key, row in rows.crops.items() if row["block"] == target}
        for row in mine:
            changed[new_key(rows, "crops", changed)] = [None, {**row, "block": target}]
    return {"crops": changed}, ["did_copy", {"block": block, "to": ", ".join(targets)}]


def _a_year_on(day: str) -> str:
    if not day:
        return day
    on = date.fromisoformat(day)
    try:
        return on.replace(year=on.year + 1).isoformat()
    except ValueError:  # 29 February
        return on.replace(year=on.year + 1, day=28).isoformat()


def next_year(rows: Rowset, blocks: Sequence[str]) -> Change:
    """Repeat the last year of the calendar a year on, where the blocks are free then."""
    blocks = list(dict.fromkeys(blocks)) or list(rows.blocks)
    years = [int(row["start"][:4]) for row in rows.crops.values() if row["block"] in blocks]
    if not years:
        raise EditProblem("nothing_to_copy", "blocks", block=", ".join(blocks[:3]))
    last = max(years)
    changed: dict[str, list[Any]] = {}
    for row in rows.crops.values():
        if row["block"] not in blocks or int(row["start"][:4]) != last:
            continue
        after = {**row, **{c: _a_year_on(row[c]) for c in ("start", "end", *SOFT)}}
        stands = [r for r in rows.crops.values() if r["block"] == row["block"]]
        if any(r["start"] <= after["end"] and after["start"] <= r["end"] for r in stands):
            continue
        changed[new_key(rows, "crops", changed)] = [None, after]
    if not changed:
        raise EditProblem("nothing_fits", "blocks", year=last + 1)
    return {"crops": changed}, ["did_next_year", {"year": last + 1, "count": len(changed)}]


def add_crops(rows: Rowset, crops: Sequence[dict[str, str]]) -> Change:
    """Rows of a calendar file; crops of the blocks that it names are replaced."""
    if len(rows.crops) + len(crops) > MOST_CROPS:
        raise EditProblem("crops_many", most=MOST_CROPS)
    named = {row["block"] for row in crops}
    changed: dict[str, list[Any]] = {key: [row, None] for key, row in rows.crops.items() if row["block"] in named}
    for row in crops:
        changed[new_key(rows, "crops", changed)] = [None, {c: row.get(c, "") for c in CROP_COLUMNS}]
    return {"crops": changed}, ["did_import_crops", {"count": len(crops)}]


# ---- settings and choices -----------------------------------------------------------------------


def _has_none(value: Any) -> bool:
    if isinstance(value, dict):
        return any(_has_none(v) for v in value.values())
    return any(_has_none(v) for v in value) if isinstance(value, list) else value is None


def set_settings(rows: Rowset, values: dict[str, Any], must_change: bool = True) -> Change:
    """Settings of the farm; None takes one out."""
    changed = {k: [rows.settings.get(k), v] for k, v in values.items() if rows.settings.get(k) != v}
    if not changed and must_change:
        raise EditProblem("nothing_changed")
    for key, (_, after) in changed.items():
        if after is not None and _has_none(after):
            raise EditProblem("setting_value", key, setting=key)
    return {"settings": changed}, ["did_settings", {"names": ", ".join(sorted(changed))}]


def plan_spray(rows: Rowset, at: int | None, spray: dict[str, Any]) -> Change:
    """A spray that is planned, in place of the one at a place in the list or as one more.

    Parameters
    ----------
    at : int or None
        Place in the list of ``farm.toml``, from 0.
    spray : dict
        Cells by the names of ``planned_sprays.csv``; empty ones are left out.
    """
    before = rows.settings.get(SPRAYS) or []
    if at is not None and not 0 <= at < len(before):
        raise EditProblem("no_spray", "at")
    if at is None and len(before) >= MOST_SPRAYS:
        raise EditProblem("sprays_many", most=MOST_SPRAYS)
    cells = {key: text for key, text in spray.items() if text not in ("", None)}
    if bool(cells.get("block")) == bool(cells.get("neighbour")):
        raise EditProblem("spray_ground", "block")
    if cells.get("block"):
        _known(rows, cells["block"])
    for column in ("from", "until"):
        if not cells.get(column) and column == "from":
            raise EditProblem("cell_empty", "from")
        try:
            date.fromisoformat(cells.get(column, "2000-01-01"))
        except ValueError:
            raise EditProblem("not_a_date", column, date=cells[column]) from None
    if cells.get("until", cells["from"]) < cells["from"]:
        raise EditProblem("end_before_start", "until", start=cells["from"], end=cells["until"])
    after = [*before, cells] if at is None else [*before[:at], cells, *before[at + 1 :]]
    if after == before:
        raise EditProblem("nothing_changed")
    said = {"ground": cells.get("block") or cells["neighbour"], "day": cells["from"]}
    return {"settings": {SPRAYS: [rows.settings.get(SPRAYS), after]}}, ["did_plan_spray", said]


def remove_spray(rows: Rowset, at: int) -> Change:
    """Take a planned spray out of the list of ``farm.toml``."""
    before = rows.settings.get(SPRAYS) or []
    if not 0 <= at < len(before):
        raise EditProblem("no_spray", "at")
    gone, after = before[at], [*before[:at], *before[at + 1 :]]
    said = {"ground": gone.get("block") or gone.get("neighbour", ""), "day": str(gone.get("from", ""))}
    return {"settings": {SPRAYS: [before, after or None]}}, ["did_remove_spray", said]


def put_list(rows: Rowset, key: str, row: dict[str, Any], files: dict[str, Any] | None = None) -> Change:
    """A list that was read, in place of the one that is held; `files` are the [files] of farm.toml with it."""
    patch: Patch = {"lists": {key: [rows.lists.get(key), row]}}
    if files is not None and files != rows.settings.get("files"):
        patch["settings"] = {"files": [rows.settings.get("files"), files]}
    return patch, ["did_import_list", {"name": row["named"][:80], "list": key}]


def drop_list(rows: Rowset, key: str) -> Change:
    """Take a list out."""
    if key not in rows.lists:
        raise EditProblem("no_list", "list")
    patch: Patch = {"lists": {key: [rows.lists[key], None]}}
    files = rows.settings.get("files") or {}
    if key in files:
        patch["settings"] = {"files": [files, {k: v for k, v in files.items() if k != key}]}
    return patch, ["did_drop_list", {"name": rows.lists[key]["named"][:80], "list": key}]


def keep_plan(rows: Rowset, name: str, plan: dict[str, Any]) -> Change:
    """Keep a plan in short, under a name."""
    name = " ".join(name.split())[:LONGEST_NAME]
    if not name:
        raise EditProblem("name_empty", "name")
    before = rows.settings.get("kept") or []
    if any(kept["name"].casefold() == name.casefold() for kept in before):
        raise EditProblem("name_taken", "name", name=name)
    if len(before) >= MOST_KEPT:
        raise EditProblem("kept_many", most=MOST_KEPT)
    kept = [rows.settings.get("kept"), [*before, {"name": name, **plan}]]
    return {"settings": {"kept": kept}}, ["did_keep_plan", {"name": name}]


def drop_plan(rows: Rowset, name: str) -> Change:
    """Let go of a kept plan."""
    before = rows.settings.get("kept") or []
    after = [kept for kept in before if kept["name"] != name]
    if len(after) == len(before):
        raise EditProblem("no_kept", "name", name=name)
    return {"settings": {"kept": [before, after or None]}}, ["did_drop_plan", {"name": name}]


def answer(
    rows: Rowset, gap_id: str, block: str, day: str, inside: tuple[str, str], cover: str, given: str,
    sow_date: str | None, read_by: str, today: str,
) -> Change:  # fmt: skip
    """Choose, lock or refuse a cover for a gap, or take the answer back ("none").

    Parameters
    ----------
    inside : (start, end)
        Of the gap: earlier answers of the same gap give way.
    read_by : str
        Who ticked the cautions as read, if any had to be.
    """
    _known(rows, block)
    mine = {k: r for k, r in rows.choices.items() if r["block"] == block and inside[0] <= r["day"] <= inside[1]}
    changed: dict[str, list[Any]] = {}
    for key, row in mine.items():
        same = row["cover"] == cover
        gives_way = same or (given in ("choose", "lock") and row["answer"] in ("choose", "lock"))
        if gives_way:
            changed[key] = [row, None]
    if given != "none":
        new = {
            "block": block, "day": day, "cover": cover, "answer": given,
            "sow_date": sow_date or "", "read_by": read_by, "read_on": today if read_by else "",
        }  # fmt: skip
        changed[new_key(rows, "choices", changed)] = [None, new]
    if not changed:
        raise EditProblem("nothing_changed")
    return {"choices": changed}, [f"did_{given}", {"gap": gap_id, "cover": cover, "date": sow_date or ""}]
