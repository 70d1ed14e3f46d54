"""Mistakes that people make in site.toml and rig.toml: what they write, and the place of the error.

`SITE` and `RIG` are good. A case changes one place of one of them. The expected line is that of the change, or of the
text `at`. `malformed.py` has more cases, about times, dates and rules.
"""

from __future__ import annotations

from dataclasses import dataclass

RIG = """\
[[controller]]
name = "left"
host = "192.0.2.21"
universes = "1-4"

[[controller]]
name = "right"
host = "192.0.2.22"
universes = "5-8"
lead = "15 ms"

[[supply]]
name = "left-12v"
volts = 12
amps = 29

[[string]]
name = "ridge"
controller = "left"
universe = 1
pixels = 150
order = "GRB"
fuse_a = 5
volts = 12
supply = "left-12v"
port = 1
group = "roof"
line = [[0, 6], [5, 6]]

[[string]]
name = "quay rail"
controller = "right"
universe = 5
pixels = 100
fuse_a = 5
volts = 12
supply = "left-12v"
"""
SITE = """\
[site]
name = "Pier Road boathouse"
latitude = 54.486
longitude = -0.613
timezone = "Europe/London"

[neighbours]
dark = [
  { days = "mon-wed", from = "22:30", to = "07:00" },
  { days = "thu,sun", from = "23:00", to = "07:00" },
]
quiet = [{ days = "daily", from = "21:00", to = "09:00" }]
dim = [{ days = "daily", from = "21:30", to = "23:00", brightness = 0.5 }]

[output]
brightness = 0.8
fade = "1 s"
priority = 100
limiter = true

[phone]
listen = "0.0.0.0:8080"
names = ["board.lan"]

[clock]
trust = "synchronised"

[[piece]]
name = "tide"
frames = "pieces/tide.frames"

[[piece]]
name = "lanterns"
frames = "pieces/lanterns.frames"

[[show]]
name = "evening"
order = ["tide", "lanterns"]
gap = "4 s"

[[performance]]
show = "evening"
season = "11-27..01-06"
from = "sunset + 20 min"
to = "22:00"
at_close = "finish"
grace = "3 min"

[[alert]]
url = "https://hooks.example.net/boathouse"
kinds = ["network", "disk"]

[[trigger]]
name = "gate"
show = "evening"
lasts = "10 min"
zone = "ridge"
device = "/dev/input/by-id/usb-button-event-kbd"
key = "KEY_ENTER"
only_during = ["evening"]
cool_down = "2 min"

[[hold]]
name = "wind"
mqtt = "mqtt://192.0.2.5/roof/wind"
json_key = "speed"
above = 14
for = "30 s"
until_below = 10
clear_for = "10 min"
zone = "ridge"
if_silent = "hold"
silent_after = "5 min"

[[hook]]
at = "piece-begins"
only = ["tide"]
command = ["/usr/local/bin/snow", "{length}"]
body = "now {title}"

[[board]]
name = "quay"
controllers = ["left"]

[[board]]
name = "east"
controllers = ["right"]

[[board]]
name = "loft"
spare_for = "quay"

[sharing]
broker = "mqtt://192.0.2.9/pier-road"
"""


@dataclass(frozen=True)
class Case:
    """The old text, the new text, the key of the error, a part of its text, and the text at its line."""

    there: str
    written: str
    key: str | None
    message: str
    at: str | None = None


NAME, LATITUDE, LONGITUDE, ZONE = (
    'name = "Pier Road boathouse"',
    "latitude = 54.486",
    "longitude = -0.613",
    'timezone = "Europe/London"',
)
DARK, QUIET, FRAMES, ORDER = (
    '  { days = "mon-wed", from = "22:30", to = "07:00" },',
    'quiet = [{ days = "daily", from = "21:00", to = "09:00" }]',
    'frames = "pieces/tide.frames"',
    'order = ["tide", "lanterns"]',
)
SEASON, FROM, TO, GAP = 'season = "11-27..01-06"', 'from = "sunset + 20 min"', 'to = "22:00"', 'gap = "4 s"'

WIND = '[[hold]]\nname = "wind"\nmqtt = "mqtt://192.0.2.5/roof/wind"'
CALLS, DEVICE = 'show = "evening"\nlasts', 'device = "/dev/input/by-id/usb-button-event-kbd"'
SPARE, BROKER = 'spare_for = "quay"', 'broker = "mqtt://192.0.2.9/pier-road"'
LOFT, LAST = '[[board]]\nname = "loft"', 'spare_for = "quay"\n\n[sharing]'
SNOW = 'command = ["/usr/local/bin/snow", "{length}"]'

SITE_CASES: tuple[Case, ...] = (
    # quotes
    Case(NAME, "name = “Pier Road boathouse”", "site.name", "straight quotes"),
    Case(NAME, "name = „Pier Road boathouse“", "site.name", "straight quotes"),
    Case(NAME, "name = ‘Pier Road boathouse’", "site.name", "straight quotes"),
    Case(NAME, "name = «Pier Road boathouse»", "site.name", "straight quotes"),
    Case(NAME, 'name = “Pier Road boathouse"', "site.name", "straight quotes"),
    Case(NAME, "name = Pier Road boathouse", "site.name", "text needs quotes"),
    Case(NAME, r'name = "Pier Road\u0007 boathouse"', "site.name", "control character"),
    Case(NAME, r'name = "Pier Road\nboathouse"', "site.name", "control character"),
    Case(NAME, 'name = "Pier Road boathouse', "site.name", "no closing quote"),
    Case(NAME, 'name = Pier Road boathouse"', "site.name", "text needs quotes"),
    Case(NAME, "name = 'Pier Road boathouse", "site.name", "no closing quote"),
    Case(ZONE, "timezone = Europe/London", "site.timezone", "text needs quotes"),
    Case(ORDER, "order = [tide, lanterns]", "show[0].order", "quotes"),
    Case(ORDER, 'order = ["tide, lanterns]', "show[0].order", "no closing quote"),
    Case(NAME, 'name = "Pier Road "boathouse""', "site.name", "a quote inside the text ends the text"),
    Case(NAME, 'name = "C:\\Users\\quay"', "site.name", "write /"),
    Case(NAME, "name = `Pier Road boathouse`", "site.name", "straight quotes"),
    # words that are no values
    Case("limiter = true", "limiter = True", "output.limiter", "write true"),
    Case("limiter = true", "limiter = yes", "output.limiter", "write true"),
    Case("limiter = true", "limiter = on", "output.limiter", "write true"),
    Case("limiter = true", "limiter = False", "output.limiter", "write false"),
    Case("limiter = true", "limiter = no", "output.limiter", "write false"),
    Case("limiter = true", "limiter = off", "output.limiter", "write false"),
    Case("limiter = true", "limiter = null", "output.limiter", "remove the line"),
    Case("limiter = true", "limiter = 2", "output.limiter", "write true or false"),
    Case("limiter = true", "limiter =", "output.limiter", "the value is missing"),
    # times, dates and numbers without quotes, or with too much about them
    Case(TO, "to = 22:00", "performance[0].to", "a time needs quotes"),
    Case(DARK, DARK.replace('"22:30"', "22:30"), "neighbours.dark", "a time needs quotes", '"mon-wed"'),
    Case(TO, "to = 22.00", "performance[0].to", '"22:30"'),
    Case(TO, 'to = "22h00"', "performance[0].to", '"22:30"'),
    Case(TO, 'to = "10pm"', "performance[0].to", '"22:30"'),
    Case(TO, 'to = "22:00 Uhr"', "performance[0].to", '"22:30"'),
    Case(SEASON, "season = 11-27..01-06", "performance[0].season", "a date needs quotes"),
    Case(SEASON, 'season = "27.11.-06.01."', "performance[0].season", '"11-27..01-06"'),
    Case(SEASON, 'season = "27/11..06/01"', "performance[0].season", '"11-27..01-06"'),
    Case(SEASON, 'season = "11-27...01-06"', "performance[0].season", '"11-27..01-06"'),
    Case(SEASON, 'season = "11-27 - 01-06"', "performance[0].season", '"11-27..01-06"'),
    Case(FROM, "from = sunset + 20 min", "performance[0].from", "text needs quotes"),
    Case(FROM, 'from = "sunset plus 20 min"', "performance[0].from", '"sunset + 20 min"'),
    Case(FROM, 'from = "20 min after sunset"', "performance[0].from", '"sunset + 20 min"'),
    Case(FROM, 'from = "sunset + 20 mins"', "performance[0].from", '"20 min"'),
    Case(FROM, 'from = "sundown"', "performance[0].from", '"sunset + 20 min"'),
    Case(GAP, 'gap = "4"', "show[0].gap", '"4 s"'),
    Case(GAP, "gap = 4 s", "show[0].gap", "needs quotes"),
    Case(GAP, 'gap = "4 seconds"', "show[0].gap", '"4 s"'),
    Case(LATITUDE, "latitude = 54,486", "site.latitude", "54.486"),
    Case(LATITUDE, "latitude = 54.486 N", "site.latitude", "a number with a unit"),
    Case(LATITUDE, "latitude = 54°29'", "site.latitude", "does not belong here"),
    Case(LONGITUDE, "longitude = -.613", "site.longitude", "a digit on both sides"),
    Case(LONGITUDE, "longitude = - 0.613", "site.longitude", "no space after it"),
    Case(LONGITUDE, "longitude = −0.613", "site.longitude", "this dash is not a minus sign"),
    Case("brightness = 0.8", "brightness = 8/10", "output.brightness", "the line goes on after its value"),
    Case("brightness = 0.8", "brightness = 80%", "output.brightness", "a number from 0 to 1"),
    Case("brightness = 0.8", "brightness = 80", "output.brightness", "less than or equal to 1"),
    Case("brightness = 0.8", "brightness = 0,8", "output.brightness", "write a point"),
    Case("priority = 100", "priority = 250", "output.priority", "200"),
    # comments
    Case("limiter = true", "limiter = true // always", "output.limiter", "begin a comment with #"),
    Case("[clock]", "// the clock\n[clock]", None, "begin a comment with #"),
    Case(NAME, f"{NAME} -- ours", "site.name", "begin a comment with #"),
    Case("[clock]", "/* the clock */\n[clock]", None, "begin a comment with #"),
    Case("[clock]", "; the clock\n[clock]", None, "begin a comment with #"),
    Case("[clock]", "-- the clock\n[clock]", None, "begin a comment with #"),
    # keys
    Case(NAME, 'name: "Pier Road boathouse"', "site.name", "write ="),
    Case(NAME, 'name => "Pier Road boathouse"', "site.name", "write ="),
    Case('at_close = "finish"', 'at close = "finish"', None, "a key is one word"),
    Case(NAME, f'{NAME}\nname = "Quay"', "site.name", "for the second time", 'name = "Quay"'),
    Case(NAME, 'Name = "Pier Road boathouse"', "site.Name", "did you mean name?"),
    Case("brightness = 0.8", "brigthness = 0.8", "output.brigthness", "did you mean brightness?"),
    Case("brightness = 0.8", "brightness = 0.8\nbrightness = 0.9", "output.brightness", "second time", "= 0.9"),
    Case(GAP, 'gaps = "4 s"', "show[0].gaps", "did you mean gap?"),
    Case(FROM, 'opens = "sunset + 20 min"', "performance[0].opens", "there is no such key"),
    Case(FRAMES, 'file = "pieces/tide.frames"', "piece[0].file", "there is no such key"),
    Case(FRAMES, "", "piece[0].frames", "it is missing", "[[piece]]"),
    Case(LATITUDE, "", "site.latitude", "it is missing", "[site]"),
    Case(NAME, 'name "Pier Road boathouse"', None, "there is no ="),
    Case(NAME, 'name == "Pier Road boathouse"', "site.name", ""),
    Case(NAME, 'name = "Pier Road boathouse";', "site.name", "end the line"),
    Case(NAME, 'name = "Pier Road boathouse",', "site.name", "end the line"),
    Case("[clock]", "[clock]\nname", None, "there is no =", "\nname\n"),
    # tables
    Case("[[show]]", "[show]", "show", "write [[show]]"),
    Case('[[piece]]\nname = "lanterns"', '[piece]\nname = "lanterns"', None, "write [[piece]]"),
    Case('[[piece]]\nname = "tide"', '[piece]\nname = "tide"', None, "write [[piece]]"),
    Case("[[performance]]", "[performance]", "performance", "write [[performance]]"),
    Case("[site]", "[[site]]", "site", "write [site], once"),
    Case("[output]", "[[output]]", "output", "write [output], once"),
    Case("[output]", "[outputs]", "outputs", "did you mean output?"),
    Case("[[performance]]", "[[performances]]", "performances", "did you mean performance?"),
    Case("[neighbours]", "[neighbors]", "neighbors", "did you mean neighbours?"),
    Case("[output]", "[output", None, "brackets on both sides"),
    Case("[[show]]", "[[show]", None, "brackets on both sides"),
    Case("[clock]", "[output]", None, "for the second time", "[output]\ntrust"),
    Case("[output]", "output", None, "there is no =", "output"),
    Case("[site]\n", "", "name", "the keys here are site"),
    # lists and inline tables
    Case(ORDER, 'order = ["tide", "lanterns"', "show[0].order", "has no end"),
    Case(ORDER, 'order = ["tide" "lanterns"]', "show[0].order", "a comma or a bracket is missing"),
    Case(ORDER, 'order = "tide, lanterns"', "show[0].order", "list"),
    Case(ORDER, 'order = {"tide", "lanterns"}', "show[0].order", "a list needs [ and ]"),
    Case(ORDER, 'order = ["tide",, "lanterns"]', "show[0].order", "one comma too many"),
    Case(ORDER, 'order = ["tide", "lanterns"]]', "show[0].order", "one bracket too many"),
    Case(ORDER, "order = []", "show[0].order", "at least 1 item"),
    Case(ORDER, 'order = ("tide", "lanterns")', "show[0].order", ""),
    Case(QUIET, QUIET.replace(" }]", "]"), "neighbours.quiet", "a bracket is missing"),
    Case(QUIET, QUIET.replace("}]", "}"), "neighbours.quiet", "has no end"),
    Case(QUIET, 'quiet = { from = "21:00", to = "09:00" }', "neighbours.quiet", "quiet = [{"),
    Case(QUIET, 'quiet = "21:00-09:00"', "neighbours.quiet", "list"),
    Case(QUIET, QUIET.replace(', from = "21:00"', ""), "neighbours.quiet[0].from", "it is missing"),
    Case(DARK, DARK.replace("mon-wed", "mon-fir"), "neighbours.dark[0].days", '"mon-wed"'),
    Case(DARK, DARK.replace('"22:30",', '"22:30"'), "neighbours.dark", "a comma is missing"),
    Case(DARK, DARK.rstrip(","), "neighbours.dark", "a comma is missing at the end of this line"),
    Case(DARK, DARK.replace("{", "(").replace("}", ")"), "neighbours.dark", "write [ and ]"),
    Case(DARK, DARK.replace("mon-wed", "weekends"), "neighbours.dark[0].days", '"mon-wed"'),
    Case(DARK, DARK.replace("22:30", "22:3O"), "neighbours.dark[0].from", '"22:30"'),
    # paths and names
    Case(FRAMES, 'frames = "pieces\\tide.frames"', "piece[0].frames", "write /"),
    Case(FRAMES, 'frames = "C:\\shows\\tide.frames"', "piece[0].frames", "write /"),
    Case(FRAMES, 'frames = "pieces/tides.frames"', "piece[0].frames", "did you mean pieces/tide.frames?"),
    Case(FRAMES, 'frames = "Pieces/Tide.frames"', "piece[0].frames", "did you mean pieces/tide.frames?"),
    Case(FRAMES, 'frames = "tide.frames"', "piece[0].frames", "did you mean pieces/tide.frames?"),
    Case(FRAMES, 'frames = "pieces/tide.npy"', "piece[0].frames", "there is no such file"),
    Case(FRAMES, 'frames = "pieces"', "piece[0].frames", "folder"),
    Case(FRAMES, 'frames = ""', "piece[0].frames", "it is empty"),
    Case(FRAMES, f'{FRAMES}\nsound = "pieces/tide.flac"', "piece[0].sound", "there is no such file", "sound ="),
    Case(ORDER, 'order = ["tide", "lantern"]', "show[0].order[1]", "did you mean lanterns?"),
    Case(ORDER, 'order = ["Tide", "lanterns"]', "show[0].order[0]", "did you mean tide?"),
    Case(ORDER, 'order = ["tide.frames", "lanterns"]', "show[0].order[0]", "there is no piece"),
    Case('show = "evening"', 'show = "evenning"', "performance[0].show", "did you mean evening?"),
    Case('show = "evening"', 'show = "Evening"', "performance[0].show", "did you mean evening?"),
    Case(
        'name = "lanterns"', 'name = "tide"', "piece[1].name", "two of the name", 'name = "tide"\nframes = "pieces/lan'
    ),
    # the place
    Case(ZONE, 'timezone = "Europe/Lodnon"', "site.timezone", "did you mean Europe/London?"),
    Case(ZONE, 'timezone = "London"', "site.timezone", "did you mean Europe/London?"),
    Case(ZONE, 'timezone = "GMT+1"', "site.timezone", "no time zone"),
    Case(f"{LATITUDE}\n{LONGITUDE}", "latitude = -0.613\nlongitude = 54.486", "site.latitude", "exchange"),
    Case(LATITUDE, "latitude = -54.486", "site.latitude", "did you mean latitude = 54.486"),
    Case(
        f"{LONGITUDE}\n{ZONE}", 'longitude = 74.0\ntimezone = "America/New_York"', "site.longitude", "longitude = -74"
    ),
    # the rest
    Case('listen = "0.0.0.0:8080"', 'listen = "8080"', "phone.listen", "0.0.0.0:8080"),
    Case('listen = "0.0.0.0:8080"', 'listen = "board.lan:8080"', "phone.listen", "0.0.0.0:8080"),
    Case('names = ["board.lan"]', 'names = "board.lan"', "phone.names", "list"),
    Case('trust = "synchronised"', 'trust = "always"', "clock.trust", "synchronised"),
    Case('kinds = ["network", "disk"]', 'kinds = ["netwrok"]', "alert[0].kinds[0]", "'network'"),
    Case('at_close = "finish"', 'at_close = "end"', "performance[0].at_close", "finish"),
    Case('grace = "3 min"', 'grace = "3 h"', "performance[0].grace", "an hour"),
    # triggers
    Case(CALLS, 'show = "evenign"\nlasts', "trigger[0].show", "did you mean evening?", "evenign"),
    Case(CALLS, 'piece = "tide"\nlasts', "trigger[0]", "lasts has no effect without show", "[[trigger]]"),
    Case(f'{CALLS} = "10 min"', 'piece = "tides"', "trigger[0].piece", "did you mean tide?"),
    Case(f'{CALLS} = "10 min"', "", "trigger[0]", "a trigger has one of piece, show", "[[trigger]]"),
    Case(CALLS, 'show = "evening"\nafter_piece = true\nlasts', "trigger[0]", "leave after_piece", "[[trig"),
    Case('lasts = "10 min"', 'lasts = "25 h"', "trigger[0].lasts", "24 h"),
    Case(DEVICE, DEVICE.replace("/dev", "dev"), "trigger[0].device", "/dev/input/by-id/"),
    Case(f'{DEVICE}\nkey = "KEY_ENTER"', "", "trigger[0]", "a trigger listens to nothing", "[[trigger]]"),
    Case(DEVICE, "http = true", "trigger[0]", "give device too", "[[trigger]]"),
    Case('key = "KEY_ENTER"', 'key = "KEY_ENTR"', "trigger[0].key", "did you mean KEY_ENTER?"),
    Case('key = "KEY_ENTER"', 'key = "Enter"', "trigger[0].key", "there is no key 'Enter'"),
    Case('key = "KEY_ENTER"', 'payload = "pressed"', "trigger[0]", "give mqtt too", "[[trigger]]"),
    Case('zone = "ridge"', 'zone = "rigde"', "trigger[0].zone", "did you mean ridge?"),
    Case('only_during = ["evening"]', 'only_during = ["eve"]', "trigger[0].only_during[0]", "there is no show 'eve'"),
    Case('only_during = ["evening"]', "most_per_hour = 0", "trigger[0].most_per_hour", "1"),
    Case('cool_down = "2 min"', "cool_down = 2 min", "trigger[0].cool_down", "needs quotes"),
    Case('cool_down = "2 min"', 'cool_down = "25 h"', "trigger[0].cool_down", "24 h"),
    Case(DEVICE, f'{DEVICE}\nboard = "quay"', "trigger[0]", "board has no effect without mqtt", "[[trigger]]"),
    # boards that other tables name
    Case(WIND, f'{WIND}\nboard = "kiln"', "hold[0].board", "there is no board 'kiln'", 'board = "kiln"'),
    Case("[[hook]]", '[[hook]]\nboard = "esat"', "hook[0].board", "did you mean east?", 'board = "esat"'),
    Case(WIND, '[[hold]]\nname = "wind"\nhttp = true', "hold[0]", "readings by HTTP", "[[hold]]"),
    # boards
    Case('name = "east"', 'name = "east/2"', "board[1].name", "one of + # /", 'name = "east/2"'),
    Case('controllers = ["left"]', 'controllers = ["lift"]', "board[0].controllers[0]", "did you mean left?"),
    Case('controllers = ["left"]', 'controllers = "left"', "board[0].controllers", "list"),
    Case('controllers = ["left"]', "", "board[0]", "one of controllers, spare_for; this has none", "[[board]]"),
    Case(SPARE, f'controllers = ["left"]\n{SPARE}', "board[2]", "this has controllers and spare_for", LOFT),
    Case(SPARE, 'spare_for = "quai"', "board[2].spare_for", "did you mean quay?"),
    Case(SPARE, 'spare_for = "loft"', "board[2].spare_for", "no board 'loft' that has controllers"),
    Case('controllers = ["right"]', SPARE, "board[2].spare_for", "quay has a spare already, at site.toml:", LAST),
    Case(
        'name = "east"', 'name = "quay"', "board[1].name", "two of the name 'quay'", 'name = "quay"\ncontrollers = ["r'
    ),
    Case("priority = 100", "priority = 0", "board[2].spare_for", "a lower priority than 0", SPARE),
    Case("[sharing]", "[share]", "share", "there is no such key"),
    Case("mqtt://192.0.2.9/pier-road", "192.0.2.9", "sharing.broker", "mqtt://192.0.2.5/lights"),
    Case("mqtt://192.0.2.9/pier-road", "mqtt://192.0.2.9/#", "sharing.broker", "a broker and a topic"),
    Case(BROKER, 'ca = "ca.pem"', "sharing", "ca has no effect without broker", "[sharing]"),
    # holds
    Case("above = 14", "", "hold[0]", "one of above, below, equals; this has none", "[[hold]]"),
    Case("above = 14", 'above = 14\nequals = "storm"', "hold[0]", "this has above and equals", "[[hold]]"),
    Case("above = 14", "above = nan", "hold[0].above", "finite"),
    Case("above = 14", 'above = "14 m/s"', "hold[0].above", "number"),
    Case("above = 14\nfor", "below = 14\nfor", "hold[0]", "until_below has no effect without above", "[[hold]]"),
    Case("until_below = 10", "until_below = 15", "hold[0]", "give the same number or a lower one", "[[hold]]"),
    Case('for = "30 s"', 'far = "30 s"', "hold[0].far", "did you mean for?"),
    Case('for = "30 s"', "for = 30", "hold[0].for", "is not a length"),
    Case('clear_for = "10 min"', 'clear_for = "1 s"', "hold[0]", "clear_for is shorter than 5 s", "[[hold]]"),
    Case('silent_after = "5 min"', 'silent_after = "0 s"', "hold[0]", "silent_after is shorter than 1 s", "[[hold]]"),
    Case('if_silent = "hold"', 'if_silent = "dark"', "hold[0].if_silent", "'ignore'"),
    Case('if_silent = "hold"\n', "", "hold[0].if_silent", "it is missing", "[[hold]]"),
    Case('zone = "ridge"\nif_silent', 'zone = "rigde"\nif_silent', "hold[0].zone", "did you mean ridge?", "rigde"),
    Case('zone = "ridge"\nif_silent', 'makes = "dim"\nif_silent', "hold[0]", "dim and level go together", "[[hold]]"),
    Case(
        'zone = "ridge"\nif_silent',
        'zone = "ridge"\nmakes = "paused"\nif_silent',
        "hold[0]",
        "only the whole rig",
        "[[hold]]",
    ),
    Case('mqtt = "mqtt://192.0.2.5/roof/wind"', 'mqtt = "mqtt://192.0.2.5/#"', "hold[0].mqtt", "a broker and a topic"),
    Case(
        'mqtt = "mqtt://192.0.2.5/roof/wind"',
        'mqtt = "mqtt://192.0.2.5/roof/%23"',
        "hold[0].mqtt",
        "a broker and a topic",
    ),
    Case(
        'mqtt = "mqtt://192.0.2.5/roof/wind"',
        'mqtt = "mqtt://192.0.2.5/roof/%2B"',
        "hold[0].mqtt",
        "a broker and a topic",
    ),
    Case(
        'mqtt = "mqtt://192.0.2.5/roof/wind"', 'mqtt = "mqtt://192.0.2.5/%00"', "hold[0].mqtt", "a broker and a topic"
    ),
    Case(
        'mqtt = "mqtt://192.0.2.5/roof/wind"',
        'mqtt = "mqtt://192.0.2.5/$share/a/b"',
        "hold[0].mqtt",
        "a broker and a topic",
    ),
    Case('mqtt = "mqtt://192.0.2.5/roof/wind"', "", "hold[0]", "a hold listens to mqtt or to http", "[[hold]]"),
    # hooks
    Case("{title}", "{titel}", "hook[0].body", "did you mean {title}?"),
    Case("{length}", "{lenght}", "hook[0].command[1]", "did you mean {length}?"),
    Case(SNOW, SNOW.replace("usr", "{show}"), "hook[0]", "cannot name a program", "[[hook]]"),
    Case(SNOW, 'mqtt = "mqtt://192.0.2.5/{title}"', "hook[0]", "a topic", "[[hook]]"),
    Case(SNOW, 'url = "http://{title}.example/now"', "hook[0]", "a host", "[[hook]]"),
    Case(SNOW, 'url = "http://192.0.2.5/{tilte}"', "hook[0].url", "did you mean {title}?"),
    Case(SNOW, 'command = ["/bin/sh", "-ec", "say {title}"]', "hook[0]", "$GLOAMING_TITLE", "[[hook]]"),
    Case(SNOW, f"{SNOW}\nretain = false", "hook[0]", "retain has no effect without mqtt", "[[hook]]"),
    Case('at = "piece-begins"', 'at = "piece-starts"', "hook[0].at", "piece-begins"),
    Case('at = "piece-begins"', 'at = "show-begins"', "hook[0].only[0]", "there is no show 'tide'", "only ="),
    Case('at = "piece-begins"', 'at = "opening"', "hook[0]", "only has no effect at opening", "[[hook]]"),
    Case('only = ["tide"]', 'only = ["tyde"]', "hook[0].only[0]", "did you mean tide?"),
)
HOST, UNIVERSES, PIXELS = 'host = "192.0.2.21"', 'universes = "1-4"', "pixels = 150"
RIG_CASES: tuple[Case, ...] = (
    Case(HOST, "host = 192.0.2.21", "controller[0].host", ""),
    Case(HOST, 'host = "192.0.2.221.1"', "controller[0].host", "not an IP address or a host name"),
    Case(HOST, 'host = "192.0.2.22"', "controller[1].host", "is already the address of left", '2"\nuniverses = "5'),
    Case(HOST, 'host = "http://192.0.2.21"', "controller[0].host", "not an IP address or a host name"),
    Case(HOST, 'host = "left_1.lan"', "controller[0].host", '"left.lan"'),
    Case(HOST, 'host = "left.lan:5568"', "controller[0].host", '"left.lan"'),
    Case(HOST, 'ip = "192.0.2.21"', "controller[0].ip", "there is no such key"),
    Case(UNIVERSES, "universes = 1-4", "controller[0].universes", "a range needs quotes"),
    Case(UNIVERSES, "universes = 10-24", "controller[0].universes", "a range needs quotes"),
    Case(UNIVERSES, "universes = [1-4, 8]", "controller[0].universes", '"1-24"'),
    Case(UNIVERSES, 'universes = "1 to 4"', "controller[0].universes", '"1-24"'),
    Case(UNIVERSES, 'universes = "1..4"', "controller[0].universes", '"1-24"'),
    Case(
        UNIVERSES,
        'universes = "1-5"',
        "controller[1].universes",
        "universe 5 already belongs to left",
        'universes = "5-8"',
    ),
    Case(UNIVERSES, 'universe = "1-4"', "controller[0].universe", "did you mean universes?"),
    Case('lead = "15 ms"', 'lead = "15"', "controller[1].lead", '"4 ms"'),
    Case('lead = "15 ms"', "lead = 15 ms", "controller[1].lead", "needs quotes"),
    Case("volts = 12\namps", "volts = 12 V\namps", "supply[0].volts", "a number with a unit"),
    Case("amps = 29", 'amps = "29 A"', "supply[0].amps", "number"),
    Case(PIXELS, "pixels = 150.5", "string[0].pixels", "integer"),
    Case(PIXELS, "pixels = 150px", "string[0].pixels", "a number with a unit"),
    Case(PIXELS, "pixel = 150", "string[0].pixel", "did you mean pixels?"),
    Case('order = "GRB"', 'order = "grb"', "string[0].order", "three or four of R, G, B, W"),
    Case('order = "GRB"', 'colour_order = "GRB"', "string[0].colour_order", "there is no such key"),
    Case(
        'name = "ridge"\ncontroller = "left"',
        'name = "ridge"\ncontroller = "Left"',
        "string[0].controller",
        "left?",
        'controller = "Left"',
    ),
    Case('controller = "right"', 'controller = "rigth"', "string[1].controller", "did you mean right?"),
    Case('supply = "left-12v"\nport', 'supply = "left 12v"\nport', "string[0].supply", "did you mean left-12v?"),
    Case(
        'name = "quay rail"',
        'name = "ridge"',
        "string[1].name",
        "is used twice",
        'name = "ridge"\ncontroller = "right',
    ),
    Case("universe = 1\n", "universe = 5\n", "string[0].universe", "belongs to right"),
    Case('[[string]]\nname = "ridge"', '[string]\nname = "ridge"', None, "write [[string]]"),
    Case("[[supply]]", "[supply]", "supply", "write [[supply]]"),
    Case("[[supply]]", "[[power]]", "power", "there is no such key"),
    Case("line = [[0, 6], [5, 6]]", "line = [0, 6, 5, 6]", "string[0].line[0]", "line = [["),
    Case("line = [[0, 6], [5, 6]]", "line = [[0, 6], [5, 6]", "string[0].line", "has no end"),
    Case("line = [[0, 6], [5, 6]]", "line = [(0, 6), (5, 6)]", "string[0].line", "write [ and ]"),
    Case("line = [[0, 6], [5, 6]]", "line = [[0, 6], [5, 6, 2]]", "string[0].line[1]", "list should have at most 2"),
    Case("universe = 1\n", "universe = 01\n", "string[0].universe", "leave the 0 out"),
    Case("line = [[0, 6], [5, 6]]", "line = [[0 6], [5 6]]", "string[0].line", "a comma or a bracket"),
    Case(
        'fuse_a = 5\nvolts = 12\nsupply = "left-12v"\nport',
        'fuse_a = 5 A\nvolts = 12\nsupply = "left-12v"\nport',
        "string[0].fuse_a",
        "a number with a unit",
    ),
)
