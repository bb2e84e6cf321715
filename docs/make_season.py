"""Plays a made-up season of the sample farm through and writes docs/season_played.md with what the commands print.

Run: python docs/make_season.py. Rows and weather are invented (sample_fields/season_2027/days.csv, and the rows below);
what is printed is the program's own. Takes some minutes. The pictures are drawn by pdftoppm and Chromium; where one of
them is missing its picture stays as it is, and the script says so.
"""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
import tempfile
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
SAMPLE = HERE.parent / "sample_fields"
OUT = HERE / "season_played.md"
IMAGES = HERE / "images"

STAND_PEA = """block,date,frame,frame_area_m2,plants,weed_plants,height_cm,weed_height_cm
Upper Bench,2027-04-26,1,0.25,2,12,5,3
Upper Bench,2027-04-26,2,0.25,0,9,5,3
Upper Bench,2027-04-26,3,0.25,7,14,6,3
Upper Bench,2027-04-26,4,0.25,0,11,5,3
Upper Bench,2027-04-26,5,0.25,1,10,5,3
Upper Bench,2027-04-26,6,0.25,0,13,5,3
"""
STAND_BUCKWHEAT = """block,date,frame,frame_area_m2,plants,weed_plants,height_cm,weed_height_cm
Beds 2,2027-07-23,1,0.25,25,3,8,9
Beds 2,2027-07-23,2,0.25,8,4,7,9
Beds 2,2027-07-23,3,0.25,18,2,8,10
Beds 2,2027-07-23,4,0.25,6,3,6,8
Beds 2,2027-07-23,5,0.25,26,2,8,9
Beds 2,2027-07-23,6,0.25,13,3,7,9
"""
SAMPLE_BARLEY = """block,date,frame,frame_area_m2,fresh_g,dry_g
Hedge Corner,2027-05-27,1,0.25,310,62
Hedge Corner,2027-05-27,2,0.25,265,55
Hedge Corner,2027-05-27,3,0.25,402,83
"""
SUMMER = """block,date,cover,seed_kg,lot,who
River 2,2027-06-26,japanese_millet,34,JM1,Bo
River 1,2027-07-04,sorghum_sudangrass,101,SS1,Bo
"""
JULY = """block,date,cover,seed_kg,lot,who
Pond,2027-07-06,sorghum_sudangrass,84,SS1,Bo
Beds 2,2027-07-11,buckwheat,9,BW3,Ann
Orchard Strip,2027-07-11,buckwheat,25,BW3,Ann
Middle Bench,2027-07-16,sorghum_sudangrass,109,SS1,Bo
"""
ENDED = """block,date,tool,who
River 2,2027-08-11,mower,Bo
River 1,2027-08-07,mower,Bo
Pond,2027-08-15,mower,Bo
Beds 2,2027-08-18,mower,Ann
Orchard Strip,2027-08-18,mower,Bo
"""
AUGUST = """block,date,cover,seed_kg,lot,who
Low Corner,2027-08-18,field_pea,216,FP2,Bo
Hollow,2027-08-21,field_pea,171,FP2,Bo
River 3,2027-08-26,field_pea,329,FP2,Bo
West Bench,2027-08-26,field_pea,324,FP2,Bo
"""
PAPER_BLOCK = "Upper Bench"


class Season:
    """A farm folder that lives through a season; its weather file holds the days that are past."""

    def __init__(self, folder: Path) -> None:
        self.farm, self.page = folder, list[str]()
        shutil.copytree(SAMPLE, folder)
        settings = folder / "farm.toml"
        text = settings.read_text(encoding="utf-8")
        line = 'weather = "weather.nc"'
        text = text.replace(line, f'this_season = "so_far.csv"\n{line}', 1)
        text += '\n[station]\nname = "Yard"\nlat = 48.54\nlon = 13.89\nelevation_m = 455\n'
        text += '\n[records]\nclient = "Invented Growers"\nfarm_number = "12"\ntract_number = "34"\n'
        settings.write_text(text, encoding="utf-8")
        self.days = (SAMPLE / "season_2027" / "days.csv").read_text(encoding="utf-8").splitlines()

    def say(self, *lines: str) -> None:
        """Text of the page."""
        self.page += [*lines, ""]

    def on(self, day: str) -> None:
        """The weather up to a day is known."""
        known = [line for line in self.days if not line[:1].isdigit() or line[:10] <= day]
        (self.farm / "so_far.csv").write_text("\n".join(known) + "\n", encoding="utf-8")
        self.today = day

    def rows(self, name: str, text: str) -> str:
        """A list of rows beside the farm."""
        path = self.farm.parent / name
        path.write_text(text, encoding="utf-8")
        return str(path)

    def run(self, *words: str, show: bool = True, most: int = 60) -> str:
        """Run a command and put it with its output on the page."""
        asked = [str(self.farm) if w == "FARM" else w for w in words]
        if words[0] == "record" and words[2] != "list":
            asked += ["--today", self.today]
        done = subprocess.run(
            [sys.executable, "-m", "greengap.cli", *asked], capture_output=True, text=True, check=False
        )
        if done.returncode not in (0, 3):
            raise RuntimeError(f"{words}: {done.stderr}")
        if show:
            shown = [Path(w).name if w.startswith("/") else f'"{w}"' if " " in w else w for w in words]
            text = done.stdout.replace(str(self.farm.parent) + "/", "").rstrip()
            lines = re.sub(r"\n{3,}", "\n\n", text).splitlines()
            if len(lines) > most:
                lines = [*lines[:most], f"... and {len(lines) - most} lines more"]
            self.page += ["```", "$ greengap " + " ".join(shown), *lines, "```", ""]
        return done.stdout


def play(folder: Path) -> list[str]:
    """The season; gives the lines of the page."""
    s = Season(folder / "farm")
    s.say(
        "# A season played through",
        "",
        "The sample farm in a made-up 2027: a wet April, birds in the pea, patchy buckwheat, an early frost. Weather",
        "and rows are **invented**; what is printed is the program's own, by `python docs/make_season.py`. Each step",
        "reads the weather up to its own day and nothing later.",
    )
    s.say(
        "## Early April: late into wet ground",
        "",
        "Pea and barley were to be sown on 28 March. The ground crumbled on 2 April.",
    )
    s.on("2027-04-03")
    s.run("sheets", "FARM", "--block", PAPER_BLOCK, "--out", str(folder / "in_march"), show=False)
    s.run("record", "FARM", "line", "Hedge Corner/1 so 0402 kg 79 lo BA1 by Ann", most=12)
    s.run("record", "FARM", "line", "Upper Bench/1 so 0403 kg 338 lo FP1 by Ann", most=12)
    s.say(
        "## 25 April: Beds 3 is still too wet",
        "",
        "What was to be sown there four weeks ago, and what does the late sowing change elsewhere?",
    )
    s.on("2027-04-25")
    s.run("replan", "FARM", "--as-of", "2027-04-25")
    s.run("replan", "FARM", "--as-of", "2027-04-25", "--out", str(folder / "from_april"), show=False)
    s.say(
        "## 26 April: birds in the pea", "", "Crows have been in Upper Bench. Six frames, of good and bad spots alike:"
    )
    s.on("2027-04-26")
    s.run(
        "record",
        "FARM",
        "loss",
        "--block",
        "Upper Bench",
        "--date",
        "2027-04-24",
        "--set",
        "cause=birds",
        "--who",
        "Ann",
        most=8,
    )
    s.run("record", "FARM", "stand", s.rows("pea.csv", STAND_PEA))
    s.run("record", "FARM", "decided", "--block", "Upper Bench", "--date", "2027-04-26", "--set", "choice=keep clean",
          "--who", "Ann", "--note", "harrowed until squash", most=8)  # fmt: skip
    s.run("replan", "FARM", "--as-of", "2027-04-27")
    s.say(
        "## 27 May: the barley is weighed and ended",
        "",
        "Three frames cut and dried; what it leaves is reckoned from them.",
    )
    s.on("2027-05-28")
    s.run("record", "FARM", "sample", s.rows("barley.csv", SAMPLE_BARLEY))
    s.run("record", "FARM", "ended", "--block", "Hedge Corner", "--date", "2027-05-28", "--set", "tool=flail, tiller",
          "--set", "seed_seen=no", "--who", "Bo", most=8)  # fmt: skip
    s.run("after", "FARM", "Hedge Corner", "barley", "--gap", "Hedge Corner/1", most=40)
    s.say(
        "## 5 July: no phacelia to be had",
        "",
        "The dealer has no phacelia. What else can go onto Beds 2, and what does it change?",
    )
    s.on("2027-07-05")
    s.run("record", "FARM", "sown", s.rows("summer.csv", SUMMER), show=False)
    s.run("replan", "FARM", "--as-of", "2027-07-05", "--without", "lacy_phacelia", "--accept", "Ann")
    s.say("## 23 July: patchy buckwheat", "", "Twelve days after sowing on Beds 2, with pigweed between:")
    s.on("2027-07-23")
    s.run("record", "FARM", "sown", s.rows("july.csv", JULY), most=14)
    s.run("record", "FARM", "page", "--out", str(folder / "record_page.html"), show=False)
    s.run("record", "FARM", "stand", s.rows("buckwheat.csv", STAND_BUCKWHEAT))
    s.run("record", "FARM", "weeded", "--block", "Beds 2", "--date", "2027-07-24", "--set", "hours=9", "--who", "Ann",
          show=False)  # fmt: skip
    s.say(
        "## 14 September: an early frost", "", "Minus four on the 13th. The sorghum on Middle Bench is brown; what now?"
    )
    s.on("2027-09-14")
    s.run("record", "FARM", "flower", "--block", "Beds 2", "--date", "2027-08-09", "--who", "Ann", show=False)
    s.run("record", "FARM", "ended", s.rows("ended.csv", ENDED), show=False)
    s.run("record", "FARM", "sown", s.rows("august.csv", AUGUST), show=False)
    s.run(
        "record",
        "FARM",
        "ended",
        "--block",
        "Middle Bench",
        "--date",
        "2027-09-13",
        "--set",
        "tool=frost",
        "--who",
        "Bo",
        most=8,
    )
    s.run("replan", "FARM", "--as-of", "2027-09-14", "--out", str(folder / "from_september"), most=40)
    s.say(
        "## Winter: prove it, and learn",
        "",
        "The records pack, and what one year says of this farm (little, as it should be):",
    )
    s.on("2027-11-30")
    for block, verdict in (("Upper Bench", "poor"), ("Hedge Corner", "good"), ("Beds 2", "middling")):
        s.run("record", "FARM", "verdict", "--block", block, "--date", "2027-10-01", "--set", f"choice={verdict}",
              "--who", "Ann", show=False)  # fmt: skip
    s.run("export", "FARM", "--for", "records", "--out", str(folder / "records"))
    s.run("learn", "FARM", "--quick")
    s.say("The pages: `records.pdf` is the one to sign, `records_map.pdf` the map with the same blocks and dates.")
    on_paper_and_phone(s, folder)
    return s.page


# ---- on paper and on the phone ---------------------------------------------------------------------------------


def on_paper_and_phone(s: Season, folder: Path) -> None:
    """The section with the two pictures."""
    sheet_picture(folder / "in_march", folder / "from_april", IMAGES / "sheet_before_after.png")
    phone_picture(folder / "record_page.html", IMAGES / "phone_choices.png")
    s.say(
        "## On paper and on the phone",
        "",
        f"{PAPER_BLOCK} in March, and the sheet that the replan of 25 April printed in its place. Only sheets that",
        "no longer hold are printed: the rest stay where they hang.",
        "",
        f"![The field sheet of {PAPER_BLOCK} before and after the replan](images/sheet_before_after.png)",
        "",
        "The six frames of 23 July once more, on the record page that was saved that morning, without a network: as",
        "it opens, after the first frame, and when it says stop. Years, hours and last day are those of the command",
        "above; keeping it is off by one year, read between two rows of a table. One tap writes it down.",
        "",
        "![The counting screen of a phone before the count, after the first frame, and with the choices]"
        "(images/phone_choices.png)",
    )


def missing(what: str, picture: Path) -> None:
    """Say that a picture stays as it is."""
    print(f"{what} is missing: {picture.name} is not made anew.", file=sys.stderr)


def page_of_gap(pdf: Path, gap: str, folder: Path) -> Path | None:
    """A sheet of a PDF as a picture."""
    told = subprocess.run(["pdftotext", "-layout", str(pdf), "-"], capture_output=True, text=True, check=True).stdout
    for number, text in enumerate(told.split("\f"), 1):
        if gap in text and "Write here" in text:
            stem = folder / pdf.parent.name
            command = ["pdftoppm", "-r", "80", "-f", str(number), "-l", str(number), "-singlefile", "-png", str(pdf)]
            subprocess.run([*command, str(stem)], check=True)
            return stem.with_suffix(".png")
    return None


def beside(pictures: list[tuple[str, Any]], out: Path, gap: int, head: int, size: int) -> None:
    """Pictures beside one another, a line above each."""
    from matplotlib import font_manager
    from PIL import Image, ImageDraw, ImageFont

    font = ImageFont.truetype(font_manager.findfont("DejaVu Sans"), size)
    wide = sum(p.width for _, p in pictures) + gap * (len(pictures) + 1)
    whole = Image.new("RGB", (wide, max(p.height for _, p in pictures) + head + gap), "#d9ddd6")
    pen, x = ImageDraw.Draw(whole), gap
    for words, picture in pictures:
        pen.text((x, head / 2), words, fill="black", font=font, anchor="lm")
        whole.paste(picture, (x, head))
        x += picture.width + gap
    whole.quantize(64).save(out, optimize=True)


def mark_changes(pages: list[Any]) -> None:
    """A bar beside the lines that differ, in both columns of both pages."""
    from PIL import Image, ImageChops, ImageDraw

    first, second = pages
    differs = ImageChops.difference(first, second).convert("L").point(lambda v: 255 if v > 60 else 0)
    for left, right in ((0.0, 0.535), (0.535, 1.0)):
        box = (int(left * first.width), 0, int(right * first.width), first.height)
        rows = differs.crop(box).resize((1, first.height), Image.Resampling.BOX).point(lambda v: 255 if v else 0)
        at = box[0] + (22 if left == 0 else -3)
        for y in range(int(0.14 * first.height), int(0.93 * first.height)):  # the code and the foot always differ
            if rows.getpixel((0, y)):
                for page in pages:
                    ImageDraw.Draw(page).rectangle((at, y - 2, at + 4, y + 2), fill="black")


def sheet_picture(before: Path, after: Path, out: Path) -> None:
    """A field sheet before and after a replan, side by side."""
    if not (shutil.which("pdftoppm") and shutil.which("pdftotext")):
        missing("pdftoppm", out)
        return
    from PIL import Image

    gap = f"{PAPER_BLOCK}/1"
    found = [page_of_gap(folder / "field_sheets.pdf", gap, before.parent) for folder in (before, after)]
    pages = [Image.open(path).convert("RGB") for path in found if path is not None]
    if len(pages) < 2:
        raise RuntimeError(f"no sheet of {gap} in one of {before.name}, {after.name}")
    mark_changes(pages)
    words = ("By the plan of March", "After the replan of 25 April (bars: lines that differ)")
    beside(list(zip(words, pages, strict=True)), out, 16, 40, 20)


def phone_picture(page_file: Path, out: Path) -> None:
    """The counting screen at three moments."""
    try:
        from playwright.sync_api import sync_playwright
    except ImportError:
        missing("playwright", out)
        return
    chromium = next((path for name in ("chromium", "google-chrome") if (path := shutil.which(name))), None)
    if chromium is None:
        missing("Chromium", out)
        return
    import io

    from PIL import Image

    frames = [line.split(",") for line in STAND_BUCKWHEAT.splitlines()[1:]]
    shots: list[tuple[str, Any]] = []
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=chromium, args=["--no-sandbox", "--disable-gpu"])
        phone = {"has_touch": True, "is_mobile": True, "device_scale_factor": 1.25}
        page = browser.new_context(viewport={"width": 360, "height": 740}, offline=True, **phone).new_page()
        page.clock.set_fixed_time(datetime(2027, 7, 23, 9, tzinfo=UTC))
        page.goto(page_file.as_uri())

        def shot(words: str) -> None:
            page.wait_for_timeout(200)
            shots.append((words, Image.open(io.BytesIO(page.screenshot())).convert("RGB")))

        page.tap("[data-job='stand Beds 2/2']")
        page.tap(".one-form > details >> nth=0 >> summary")
        page.select_option("[data-column=frame_area_m2]", "0.25")
        page.tap(".one-form > details >> nth=0 >> summary")
        shot("Before the count")
        details = page.locator("summary", has_text="Heights and ground covered")
        details.tap()
        for number, (*_, plants, weeds, tall, weed_tall) in enumerate(frames):
            for column, value in (("height_mm", tall), ("weed_height_mm", weed_tall)):
                page.fill(f"[data-column={column}]", value)
            for counter, value in zip(page.locator(".counter input").all(), (plants, weeds), strict=True):
                counter.fill(value)
            page.tap(".form-foot button[type=submit]")
            if number == 0:
                details.tap()
                page.evaluate("scrollTo(0, 0)")
                shot("After the first frame")
                details.tap()
        page.wait_for_selector(".todo [data-choice]")
        page.evaluate("document.querySelector('.todo').scrollIntoView()")
        shot("After six: stop, and choose")
        browser.close()
    beside(shots, out, 16, 40, 20)


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as held:
        kept = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(held)
        kept.mkdir(parents=True, exist_ok=True)
        page = "\n".join(play(kept)).rstrip() + "\n"
    OUT.write_text(page, encoding="utf-8")
