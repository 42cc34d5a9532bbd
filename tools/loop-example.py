#!/usr/bin/env python3
"""Focus by itself: take a frame, ask starwaist where to go, go there, until it says stop.

    python3 loop-example.py FOLDER --start 5200 --min 0 --max 40000 \\
        --move './my-move' --expose './my-expose' -- --config rig.conf

FOLDER    where the frames go; it is made, and must hold no frame yet.
--start   the position at which the focuser stands now.
--min, --max  positions that the focuser may not leave: a safe way off its stops.
--move    your command; the position to go to is put behind it. It must end once
          the focuser stands still.
--expose  your command; the name of the file to write is put behind it. It must
          end once the file is whole. The position is in the file's name, so the
          header need not have it; if it has, it must be the commanded position.
Behind -- come options for `starwaist watch` (its --help lists them).

Both commands are split at spaces as a shell would; they run one at a time.
The end: status 0 if best focus is trusted and the focuser stands there; 1 if it
is doubtful or the loop stopped for another reason (the last line says which); 2
wrong usage; 3 a command failed or no answer came, and the focuser was left where
it was.

CAUTIONS
- Never drive a focuser against its stop: motors, gears and belts break, and the
  position is wrong afterwards. Give --min and --max well inside the travel, and
  know that the maker's manual goes before anything said here.
- Before the first run move the focuser by hand over the whole travel and look
  that no cable pulls or can be caught and that the camera touches nothing.
- Stay near the telescope the first time, with a finger on the switch.
- Never near the Sun: an uncovered telescope pointed at it blinds and burns.
- A heavy camera may slip when it points up: look whether the tube truly moved.
"""
import argparse
import json
import os
import queue
import shlex
import subprocess
import sys
import threading


def arguments():
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", metavar="FOLDER")
    parser.add_argument("--start", type=int, required=True)
    parser.add_argument("--min", type=int, required=True)
    parser.add_argument("--max", type=int, required=True)
    parser.add_argument("--move", required=True)
    parser.add_argument("--expose", required=True)
    parser.add_argument("--starwaist", default="starwaist", help="the program")
    parser.add_argument("--most-points", type=int, default=25, help="frames at most")
    parser.add_argument("--wait-s", type=float, default=120, help="for an answer")
    # What stands behind -- is watch's: argparse would want it right behind the folder.
    words = sys.argv[1:]
    end = words.index("--") if "--" in words else len(words)
    given = parser.parse_args(words[:end])
    given.watch_options = words[end + 1:]
    if not given.min <= given.start <= given.max:
        parser.error("--start must lie between --min and --max")
    return given


class Failed(Exception):
    pass


def run(command, last):
    """Runs a command of the user's and waits for its end."""
    words = shlex.split(command) + [str(last)]
    try:
        status = subprocess.run(words, stdin=subprocess.DEVNULL).returncode
    except OSError as error:
        raise Failed(f"{words[0]}: {error.strerror}") from error
    if status != 0:
        raise Failed(f"{' '.join(words)}: ended with status {status}")


class Watch:
    """`starwaist watch`, one answer a frame."""

    def __init__(self, given):
        self.wait_s = given.wait_s
        words = [given.starwaist, "watch", given.folder, "--json", "-", "--quiet",
                 "--until-enough", "--most-points", str(given.most_points),
                 "--min-position-steps", str(given.min), "--max-position-steps", str(given.max),
                 "--position-from-name", "_at_(-?[0-9]+)"] + given.watch_options
        try:
            self.child = subprocess.Popen(words, stdout=subprocess.PIPE, text=True)
        except OSError as error:
            raise Failed(f"{given.starwaist}: {error.strerror}") from error
        self.lines = queue.Queue()
        threading.Thread(target=self._read, daemon=True).start()

    def _read(self):
        for line in self.child.stdout:
            self.lines.put(line)
        self.lines.put(None)

    def answer(self):
        try:
            line = self.lines.get(timeout=self.wait_s)
        except queue.Empty:
            raise Failed(f"no answer came in {self.wait_s:.0f} s; see the messages above") from None
        if line is None:
            raise Failed("starwaist ended; see its message above")
        return json.loads(line)

    def close(self):
        self.child.terminate()
        self.child.wait()


def go(given, move):
    """First to via_steps, if there is one: that takes the slack up."""
    places = [move["via_steps"], move["to_steps"]]
    for place in places:
        if place is not None and not given.min <= place <= given.max:
            raise Failed(f"{place} lies outside --min and --max: not gone to")
    for place in places:
        if place is not None:
            run(given.move, place)


def loop(given, watch):
    position = given.start
    number = 0
    while True:
        run(given.expose, os.path.join(given.folder, f"frame_{number:03d}_at_{position}.fits"))
        number += 1
        line = watch.answer()
        size = line["size_px"]
        print(f"{position}: {'no stars' if size is None else f'{size:.2f} px'}; {line['advice']}",
              flush=True)
        move = line["move"]
        if line["stop_reason"] is None and line["next_position_steps"] is not None:
            go(given, move)
            position = move["to_steps"]
            continue
        reason = line["stop_reason"]
        if reason == "enough" and move is not None:
            go(given, move)
            verdict = line["verdict"]
            print(f"best focus {move['to_steps']}, {verdict}; the focuser stands there")
            if verdict == "trusted":
                return 0
            for why in line["reasons"]:  # more frames would not end the doubt
                print(f"  {why}")
            return 1
        # limits, no_stars, no_motion, clouds, most_points and what later versions may add: what
        # best focus may be is printed, but nobody should rely on it, so nothing moves.
        best = "" if line["best_focus_steps"] is None else \
            f"; best focus may be near {line['best_focus_steps']:.0f} ({line['verdict']})"
        print(f"stopped: {reason}{best}")
        return 1


def main():
    given = arguments()
    os.makedirs(given.folder, exist_ok=True)
    if any(name.startswith("frame_") for name in os.listdir(given.folder)):
        print(f"{given.folder}: holds frames already; name a new folder", file=sys.stderr)
        return 2
    watch = None
    try:
        watch = Watch(given)
        return loop(given, watch)
    except Failed as failure:
        print(f"{failure}", file=sys.stderr)
        return 3
    except KeyboardInterrupt:
        return 130
    finally:
        if watch:
            watch.close()


if __name__ == "__main__":
    sys.exit(main())
