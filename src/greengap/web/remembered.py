"""What the farm remembers of an edit that makes blocks of others."""

from __future__ import annotations

from greengap.web.edits import Change, new_key, outline_of
from greengap.web.store import Rowset


def remembered(rows: Rowset, change: Change, way: str, today: str) -> Change:
    """A change of outlines with what the farm is to remember of it: which blocks came of which, and their outlines.

    Crops of blocks that end in a merged one, and that do not go on in the calendar, go into the history.

    Parameters
    ----------
    rows : Rowset
        Before the change.
    change : Change
    way : str
        One of `greengap.farm.lineage.WAYS`.
    today : str
    """
    patch, words = change
    blocks = patch["blocks"]
    old = {name: pair[0] for name, pair in blocks.items() if pair[0] is not None}
    new = [name for name, pair in blocks.items() if pair[1] is not None]
    if way == "cut out":
        pairs = [(name, name) for name in new]
    elif way == "merged":  # one that keeps its name has another outline
        pairs = [(name, parent) for name in new for parent in old]
    elif way == "buffer":
        pairs = [(name, parent) for name in new for parent in old if name not in old]
    else:
        pairs = [(name, parent) for name in new for parent in old if name != parent]
    changed = dict(patch.get("lineage", {}))
    for name, parent in pairs:
        row = {"block_id": name, "parent_id": parent, "way": way, "date": today}
        changed[new_key(rows, "lineage", changed)] = [None, {**row, "outline": outline_of(old[parent]).wkt}]
    if way != "cut out":  # a name that is taken up again: what came of the old block of that name no longer leads there
        for key, row in rows.lineage.items():
            if row["parent_id"] in new and row["block_id"] in old and row["block_id"] not in new:
                changed[key] = [row, None]
    if changed:
        patch["lineage"] = changed
    gone = [pair[0] for pair in patch.get("crops", {}).values() if pair[0] and pair[1] is None]
    grown = [row for row in gone if row["start"] <= today] if way == "merged" else []
    if grown:
        held = rows.lists.get("history")
        added = [
            {"block_id": r["block"], "date": min(r["end"], today), "kind": "crop", "what": r["crop"], "note": ""}
            for r in grown
        ]
        content = [*(held["content"] if held else []), *added]
        kept = held or {"sha256": "", "read": 0, "used": 0, "found": [], "named": "", "since": today}
        counts = {"read": kept["read"] + len(added), "used": kept["used"] + len(added)}
        patch["lists"] = {"history": [held, {**kept, **counts, "content": content}]}
    return patch, words
