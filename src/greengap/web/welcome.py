"""What the terminal says once the page can be reached."""

from __future__ import annotations

import io
from collections.abc import Iterator

from greengap.web.serve import Address


def welcome(address: Address) -> Iterator[str]:
    """Lines with the address; with ``--lan`` also as a QR code, and what that lays open."""
    yield f"The page is at {address.local}"
    yield "Only this computer can open it, and only by that address." if not address.lan else ""
    if address.lan:
        import segno

        drawn = io.StringIO()
        segno.make(address.lan, error="m").terminal(out=drawn, compact=True)
        yield f"On the farm's network: {address.lan}"
        yield drawn.getvalue()
        yield (
            "Whoever is on this network and has that address can see and change the farm, take its files away and "
            "open the other farms of this folder, until you stop this program. Nothing is encrypted on the way. "
            "Do not use it on a network that you do not trust."
        )
    yield "Every edit is saved as it is made. Stop with Ctrl+C."
