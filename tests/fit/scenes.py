#!/usr/bin/env python3
"""Scenes put together at random, a suite for `hindward stage`.

  tests/fit/scenes.py SEED THINGS EMPTY [--steady [--half]] [OPTION...] >scenes.toml

SEED chooses everything; THINGS scenes have something in the path, EMPTY have nothing in
it. Vehicles stand, creep and reverse; pictures come 2.5 to 15 a second; mounts, colours,
sizes, lenses and dirt differ from scene to scene.

  --steady   each is of 5.6 s at 15 pictures a second, the vehicle reverses, and mounts and sizes
             are those of demo/suite/
  --half     half as many pictures a second, which cost half the time and teach nearly as much
  --around   something stands, drives or casts its shadow beside the path in each; what is in the
             path is low, thin, small or walks; most shadows fall into the path or toward the
             vehicle
  --borders  the ground is another from somewhere behind the vehicle on, or a piece of it is
  --grey     what is in the path is mostly slender or low, and about as bright as the ground that
             it stands on, which is sealed in most scenes
  --dark     most are at dusk or night, and sealed ground is wet in most
  --small    pictures of 320 x 240, as those of 640 x 480 are decoded for the work: a quarter of
             the time
  --open     under or through what is in the path the ground behind it is seen: gates, trailers,
             legs
  --walk     what is in the path mostly walks: a grown-up, a child or a dog
  --brief    each is of 2.4 s, and most vehicles roll all the while: more scenes for the time
"""
import random
import sys
import tomllib
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
PARTS = ROOT / "demo" / "suite"
# A profile that waits long enough for the next of so few pictures, and from how many on
# the usual one does.
SLOW, SLOW_HZ = ROOT / "tests" / "rig" / "board.toml", 7
WIDE = ["kerb", "wall", "fence", "gate", "car", "van", "tow-trailer"]
THINGS = ["adult", "child", "crouching-child", "dog", "box", "wheelie-bin", "bollard", "post",
          "test-cylinder", "cone", *WIDE]
WALKS = ["steps", "comes", "cross", "crossmove", "steps", "comes"]
WALKERS = ["adult", "child", "dog"]
# What --around puts into the path.
SMALL = ["kerb", "kerb", "kerb", "post", "post", "bollard", "bollard", "box", "dog", "cone",
         "crouching-child"]
# What --grey puts into the path.
SLENDER = ["post", "post", "post", "post", "bollard", "bollard", "box", "kerb", "kerb", "cone",
           "wheelie-bin", "dog", "wall", "crouching-child", "test-cylinder"]
# What --open puts into the path.
OPEN = ["gate", "gate", "gate", "fence", "tow-trailer", "tow-trailer", "dog", "dog", "adult",
        "child"]
GROUNDS = ["asphalt-new", "asphalt-old", "concrete", "paving", "gravel", "earth", "grass", "snow",
           "garage-floor"]
SEALED = GROUNDS[:4]
# About how bright a picture of the ground is, of 255.
BRIGHT = {"asphalt-new": 80, "asphalt-old": 125, "concrete": 160, "paving": 140, "gravel": 140,
          "earth": 100, "grass": 90, "snow": 225, "garage-floor": 120}
MOUNTS = ["hatch", "hatch", "plate", "roof"]
LENSES = ["bc110", "bc125", "kb130", "kb150", "pin80"]
MARKS = ["", "autumn", "bay", "yard"]
# Way of each fragment demo/suite/move-*.toml, metres, and how near the thing is at its end.
REVERSES = {"slow": 2.8, "turn": 2.75, "walk": 3.7, "fast": 4.8}
NEAREST_M = 1.0
# Length of a scene of --brief, seconds.
BRIEF_S = 2.4
OPTIONS = ["--steady", "--half", "--around", "--borders", "--grey", "--dark", "--small",
           "--open", "--walk", "--brief"]
# Height and pitch of the mounts of demo/suite/.
MOUNTED = {"hatch": (1.1, 36), "plate": (0.9, 30), "roof": (2.3, 50)}


class Lot:
    def __init__(self, seed, steady, half, around, borders, grey, dark, small, open, walk, brief):
        self.r = random.Random(seed)
        self.steady = steady
        self.half = half
        self.around = around
        self.borders = borders
        self.grey = grey
        self.dark = dark
        self.small = small
        self.open = open
        self.walk = walk
        self.brief = brief
        # How bright the ground of this scene is.
        self.bright = 0
        # From which side the sun has to come for a shadow to fall into the path.
        self.sunny_side = 0

    def light(self, ground):
        r = self.r
        if ground == "garage-floor":
            return '{ kind = "garage" }'
        kind = r.choices(["sun", "overcast", "dusk", "night"],
                         [0.1, 0.1, 0.45, 0.35] if self.dark else [0.5, 0.27, 0.12, 0.11])[0]
        if self.sunny_side:
            return (f'{{ kind = "sun", sun_azimuth_deg = {self.sunny_side * r.randint(45, 135)}, '
                    f"sun_elevation_deg = {r.randint(22, 45)} }}")
        if self.around and kind == "sun":
            # Shadows that fall toward the vehicle.
            return (f'{{ kind = "sun", sun_azimuth_deg = {r.randint(-45, 45)}, '
                    f"sun_elevation_deg = {r.randint(22, 50)} }}")
        if kind != "sun":
            return f'{{ kind = "{kind}" }}'
        dapple = ""
        if r.random() < 0.4:
            dapple = (f", dapple = {{ share = {r.uniform(.3, .6):.2f}, "
                      f"size_m = {r.uniform(.25, .7):.2f} }}")
        return (f'{{ kind = "sun", sun_azimuth_deg = {r.randint(-180, 180)}, '
                f"sun_elevation_deg = {r.randint(28, 55)}{dapple} }}")

    def ground(self, kind):
        r = self.r
        more = ""
        if kind in SEALED and r.random() < (0.7 if self.dark else 0.3):
            more = f", wet = {r.uniform(.4, 1):.2f}, puddles = {r.uniform(0, .2):.2f}"
        if not self.steady and r.random() < 0.4:
            more += f", tone = {r.uniform(.7, 1.35):.2f}"
        return f'{{ kind = "{kind}"{more} }}'

    def motion(self):
        """A fragment's name or way points, the way in metres, and the length in seconds."""
        r = self.r
        if self.steady:
            name = r.choice(list(REVERSES))
            return name, REVERSES[name], 5.6
        kind = r.choices(["rest", "late", "stops", "shunts", "rolls"], [3, 2, 2, 1, 4])[0]
        v = r.choice([0.3, 0.6, 0.6, 1.0, 1.5])
        turn = r.choice([0, 0, r.uniform(-.15, .15)])
        if self.brief:
            return self.short_way(v, turn)
        if kind == "rest":
            return [[0, 0, 0]], 0, 4.0
        if kind == "late":
            at, up = r.uniform(1, 2), v / 0.8
            way = [[0, 0, 0], [at, 0, 0], [at + up, v, turn], [5, v, turn]]
        elif kind == "stops":
            up, until = v / 1.5, r.uniform(1.5, 2.5)
            way = [[0, v, turn], [until, v, turn], [until + up, 0, 0], [5, 0, 0]]
        elif kind == "shunts":
            v = r.uniform(.05, .25)
            way = [[0, 0, 0], [.5, v, 0], [2, v, 0], [3, -v, 0], [4.5, -v, 0], [5, 0, 0]]
        else:
            way = [[0, v, turn], [4, v, turn]]
        metres, farthest = 0, 0
        for (t, a, _), (u, b, _) in zip(way, way[1:]):
            metres += (a + b) / 2 * (u - t)
            farthest = max(farthest, metres)
        return [[round(x, 3) for x in p] for p in way], farthest, way[-1][0]

    def short_way(self, v, turn):
        """As motion(), of BRIEF_S."""
        kind = self.r.choices(["rest", "starts", "stops", "rolls"], [3, 2, 2, 13])[0]
        if kind == "rest":
            return [[0, 0, 0]], 0, BRIEF_S
        at = self.r.uniform(.4, 1.2)
        way, metres = {
            "starts": ([[0, 0, 0], [at, 0, 0], [at + .8, v, turn]], v * (BRIEF_S - at - .4)),
            "stops": ([[0, v, turn], [at, v, turn], [at + .8, 0, 0]], v * (at + .4)),
            "rolls": ([[0, v, turn]], v * BRIEF_S),
        }[kind]
        return [[round(x, 3) for x in p] for p in way + [[BRIEF_S, *way[-1][1:]]]], metres, BRIEF_S

    def sizes(self, kind):
        r = self.r
        if self.grey and r.random() < 0.7:
            grey = min(self.bright * r.uniform(0.65, 1.4), 235)
            tint = [min(int(grey + r.uniform(-9, 9)), 255) for _ in range(3)]
            height = f", height_m = {r.uniform(.5, 1.2):.2f}" if kind in ("post", "bollard") else ""
            return f', colour = "#{"".join(f"{t:02x}" for t in tint)}"{height}'
        if self.steady:
            return ""
        more = ""
        if r.random() < 0.6:
            more = f', colour = "#{"".join(f"{r.randint(20, 235):02x}" for _ in range(3))}"'
            if r.random() < 0.5:
                grey = r.randint(25, 225)
                more = f', colour = "#{grey:02x}{grey:02x}{grey:02x}"'
        height = {"adult": (1.5, 1.95), "child": (.85, 1.3), "box": (.2, .6), "post": (.5, 1.3),
                  "bollard": (.5, 1.2), "cone": (.35, .75), "kerb": (.1, .16),
                  "wall": (.4, 2.2), "fence": (.8, 1.8)}.get(kind)
        if height and r.random() < 0.7:
            more += f", height_m = {r.uniform(*height):.2f}"
        return f"{more}, seed = {r.randint(1, 9999)}"

    def case(self, name, motion, seconds, ground, thing, event=""):
        r = self.r
        mount, lens = r.choice(MOUNTS), r.choice(LENSES)
        includes = [f"mount-{mount}", f"lens-{lens}"]
        if isinstance(motion, str):
            includes.append("move-" + motion)
        marks = r.choice(MARKS)
        if marks:
            includes.append("marks-" + marks)
        listed = ", ".join(f'"{PARTS}/{i}.toml"' for i in includes)
        print(f'[[case]]\nname = "{name}"\nseed = {r.randint(1000, 65000)}\n'
              f"include = [{listed}]\nground = {self.ground(ground)}\nlight = {self.light(ground)}")
        if thing:
            print(f"thing = [ {thing} ]")
        if self.borders:
            print(f"mark = [ {self.border(ground)} ]")
        if event:
            print(f"event = [ {event} ]")
        rig, camera, rate, noise, quality, blur = [], "", 15, 1, 85, 0.55
        if self.half:
            rate = 7.5
        if not self.steady:
            height, pitch = MOUNTED[mount]
            rate = r.choices([2.5, 4, 5, 7.5, 10, 15], [3, 2, 3, 3, 2, 1])[0]
            print(f"duration_s = {seconds}")
            if rate < SLOW_HZ:
                print(f'profile = "{SLOW}"')
            rig.append(f"mount = {{ height_m = {height + r.uniform(-.12, .12):.2f}, "
                       f"pitch_deg = {pitch + r.uniform(-6, 6):.1f} }}")
            rock = r.choice([0, 0.15, 0.25, 0.4])
            print(f"vehicle = {{ motion = {motion}, rock_deg = {rock}, "
                  f"bumper = {r.choice(['true', 'true', 'false'])} }}")
            noise, quality, blur = r.uniform(.5, 2), r.randint(60, 92), r.uniform(.4, 1)
            camera = f", specks = {r.choice([0, 0, 3, 8])}"
        size = ""
        if self.small:
            # Two by two pixels in one.
            size = ", width_px = 320, height_px = 240"
            of = tomllib.loads((PARTS / f"lens-{lens}.toml").read_text())["rig"]["lens"]
            halved = {k: v / 2 for k, v in of.items() if k in ("fx_px", "fy_px")}
            halved |= {k: (v - 0.5) / 2 for k, v in of.items() if k in ("cx_px", "cy_px")}
            rig.append("lens = { " + ", ".join(f"{k} = {v}" for k, v in halved.items()) + " }")
            noise, quality, blur = noise / 2, 50 + quality // 2, max(blur / 2, 0.3)
        rig.append(f"camera = {{ rate_hz = {rate}{size} }}")
        print(f"rate_hz = {rate}\nrig = {{ {', '.join(rig)} }}")
        if self.small or not self.steady:
            print(f"camera = {{ noise = {noise:.2f}, jpeg_quality = {quality}, "
                  f"blur_px = {blur:.2f}{camera} }}")
        print()

    def border(self, ground):
        """Another ground: all of it from somewhere on, a strip across the path, or a piece."""
        r = self.r
        other = r.choice([g for g in GROUNDS if g != ground])
        near = r.uniform(0.6, 5)
        long, wide, side = r.choice([(24, 60, 0), (24, 60, 0), (r.uniform(.5, 3), 60, 0),
                                     (r.uniform(.8, 4), r.uniform(.8, 4), r.uniform(-1.5, 1.5))])
        return (f'{{ kind = "patch", ground = "{other}", at = [{near + long / 2:.2f}, {side:.2f}], '
                f"size = [{long:.2f}, {wide:.2f}], turn_deg = {r.randint(-12, 12)} }}")

    def beside(self, way, seconds):
        """What is beside the path; seen, or by its shadow alone."""
        r = self.r
        side = r.choice([-1, 1])
        self.sunny_side = 0
        far = way + r.uniform(.5, 4)
        kind = r.choices(["passes", "casts", "cars", "edge"], [4, 2, 3, 2])[0]
        if kind == "passes":
            self.sunny_side = side
            who = r.choice(["van", "car", "adult", "child"])
            speed = r.uniform(2, 6) if who in ("van", "car") else r.uniform(.5, 1.4)
            start = r.choice([r.uniform(-7, -3), far])
            if start > 0 and r.random() < 0.5:
                speed = -speed
            at = r.uniform(2.2, 2.8) if who in ("adult", "child") else r.uniform(2.6, 4.5)
            return [f'{{ kind = "{who}", path = [[0, {start:.2f}, {side * at:.2f}], [{seconds}, '
                    f"{start + speed * seconds:.2f}, {side * at:.2f}]], shadow_only = true }}"]
        if kind == "casts":
            self.sunny_side = side
            who = r.choice(["car", "van", "post", "wall", "fence", "wheelie-bin", "adult"])
            turned = 90 if who in ("wall", "fence") else r.randint(-180, 180)
            at = r.uniform(1.7, 4) if who in ("post", "adult", "wheelie-bin") else r.uniform(2.8, 4.5)
            return [f'{{ kind = "{who}", behind_m = {far:.2f}, side_m = {side * at:.2f}, '
                    f"heading_deg = {turned}, shadow_only = true }}"]
        if kind == "cars":
            both = r.choice([[side], [-1, 1], [-1, 1]])
            return [f'{{ kind = "{r.choice(["car", "car", "van"])}", '
                    f"behind_m = {far + r.uniform(0, 1.5):.2f}, side_m = {s * r.uniform(2.4, 3.1):.2f}, "
                    f"heading_deg = {r.choice([0, 180]) + r.randint(-4, 4)}{self.sizes('car')} }}"
                    for s in both]
        who = r.choice(["wall", "fence", "kerb"])
        return [f'{{ kind = "{who}", behind_m = {far + 1:.2f}, side_m = {side * r.uniform(1.9, 2.8):.2f}, '
                f"heading_deg = {90 + r.randint(-3, 3)}{self.sizes(who)} }}"]

    def surrounded(self, thing, way, seconds):
        more = self.beside(way, seconds) if self.around else []
        return ", ".join(([thing] if thing else []) + more)

    def thing(self, number, kind):
        r = self.r
        ground = r.choice(GROUNDS + 3 * SEALED if self.grey else GROUNDS)
        self.bright = BRIGHT[ground]
        motion, way, seconds = self.motion()
        side = r.choice([-1, 1])
        if kind in WALKS:
            who = r.choice(WALKERS)
            end = seconds - 0.3
            if self.brief:
                path = self.short_walk(kind, way, side)
            elif kind == "steps":
                d = way + r.uniform(*((1.4, 1.8) if self.steady else (.7, 2.6)))
                path = [[0, d, 2.9 * side], [1, d, 2.9 * side], [min(3.7, end), d, .1 * side]]
            elif kind == "comes":
                path = [[0, way + r.uniform(2.6, 3.4), r.uniform(-.6, .6)],
                        [end, way + r.uniform(.5, 1.4), r.uniform(-.2, .2)]]
            elif kind == "cross":
                d = way + r.uniform(*((1, 2) if self.steady else (.6, 2.6)))
                path = [[0, d, 3 * side], [.4, d, 3 * side], [end, d + .1, -3 * side]]
            else:
                d = way + r.uniform(1.6, 2.1)
                path = [[0, d, 3 * side], [.9, d, 3 * side], [end, d, -2.6 * side]]
            path = [[round(x, 2) for x in p] for p in path]
            thing = f'{{ kind = "{who}", path = {path}{self.sizes(who)} }}'
            name = f"t{number:03}-{who}-{kind}-{ground}"
        else:
            far = way + NEAREST_M + r.uniform(*((-.3, .3) if self.steady else (-.6, .8)))
            if way == 0:
                far = r.uniform(0.4, 3.2)
            # Behind is to the centre of all but what is flat: half of it comes nearer.
            far += {"car": 2.15, "van": 2.5, "tow-trailer": 1.1}.get(kind, 0)
            heading = r.randint(-12, 12) if kind in WIDE else r.randint(-180, 180)
            thing = (f'{{ kind = "{kind}", behind_m = {far:.2f}, side_m = {r.uniform(-.6, .6):.2f}, '
                     f"heading_deg = {heading}{self.sizes(kind)} }}")
            name = f"t{number:03}-{kind}-{ground}"
        self.case(name, motion, seconds, ground, self.surrounded(thing, way, seconds))

    def short_walk(self, kind, way, side):
        """Where one walks in BRIEF_S."""
        r = self.r
        walks = r.uniform(.5, 1.3) * BRIEF_S
        if kind == "comes":
            end = way + r.uniform(.5, 1.4)
            return [[0, end + walks, r.uniform(-.6, .6)], [BRIEF_S, end, r.uniform(-.2, .2)]]
        d = way + r.uniform(.6, 2.6)
        until = .1 if kind == "steps" else -r.uniform(.3, .7) * walks
        return [[0, d, side * (until + walks)], [BRIEF_S, d + r.uniform(0, .1), side * until]]

    def empty(self, number):
        r = self.r
        ground = GROUNDS[number % len(GROUNDS)]
        self.bright = BRIGHT[ground]
        motion, way, seconds = self.motion()
        lot = r.random()
        thing = event = ""
        if lot < 0.25:
            side = r.choice([-1, 1]) * r.uniform(2.45, 3.4)
            d = r.uniform(4, 6)
            path = [[0, round(d, 2), round(side, 2)],
                    [seconds, round(max(d - 4.5, .6) + r.uniform(0, .5), 2), round(side, 2)]]
            who = r.choice(["adult", "child"])
            thing = f'{{ kind = "{who}", path = {path}{self.sizes(who)} }}'
        elif lot < 0.45:
            factor = r.choice([0.4, 0.5, 1.8, 2.2])
            event = f'{{ kind = "exposure", start_s = {0.8 if self.brief else 2.0}, over_s = 0.4, factor = {factor} }}'
        thing = self.surrounded(thing, way, seconds)
        self.case(f"e{number:03}-{ground}", motion, seconds, ground, thing, event)


def main():
    given = [a for a in sys.argv[1:] if a not in OPTIONS]
    if len(given) != 3 or not all(a.isdigit() for a in given):
        sys.exit(__doc__)
    seed, things, empty = map(int, given)
    lot = Lot(seed, *(a in sys.argv for a in OPTIONS))
    print(f"# Put together by tests/fit/scenes.py {' '.join(sys.argv[1:])}\n")
    order = []
    for number in range(things):
        if not order:
            kinds = (SMALL if lot.around else SLENDER if lot.grey else OPEN if lot.open
                     else WALKERS if lot.walk else THINGS)
            order = kinds + WALKS[lot.grey and 4:]
            lot.r.shuffle(order)
        lot.thing(number, order.pop())
    for number in range(empty):
        lot.empty(number)


main()
