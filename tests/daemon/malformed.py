"""What people write wrongly in a site.toml: one line each, where it is said to stand, and what it is told."""

from __future__ import annotations

from tests.daemon.quay_site import PLACE, TABLES

GOOD = (
    PLACE.replace("[site]\n", '[site]\nelevation_m = 12.0\nif_no_sunset = "15:30"\n')
    + """
[neighbours]
dark = [{ days = "mon-thu,sun", from = "22:30", to = "07:00" }, { days = "fri,sat", from = "23:00", to = "07:00" }]
quiet = [{ days = "daily", from = "21:00", to = "09:00" }]
dim = [{ days = "daily", from = "21:30", to = "23:00", brightness = 0.5 }]

[output]
priority = 100
brightness = 0.8
between_performances = "black"
fade = "1 s"
synchronization = 7000

[phone]
listen = "127.0.0.1:0"

[clock]
trust = "plausible"
"""
    + TABLES.replace('gap = "4 s"\n', 'gap = "4 s"\nplay = "shuffled"\nstart_every = "30 min"\nbetween = "swell"\n')
    + """
[[performance]]
show = "evening"
season = "11-27..01-06"
days = "mon-sun"
from = "sunset + 20 min"
not_before = "16:30"
to = "22:00"
at_close = "finish"
grace = "3 min"
rank = 0
except = ["12-24"]

[[performance]]
show = "evening"
dates = ["2026-12-24"]
from = "17:00"
to = "22:00"

[[performance]]
show = "turn of the year"
rrule = "FREQ=YEARLY;BYMONTH=11;BYDAY=4TH"
from = "sun at -4"
to = "22:00"
rank = 1
"""
)
"""A site with every kind of time, date and rule."""

TIME, LENGTH, DAYS = '"22:30", "sunset + 20 min" or "sun at -4"', '"20 min"', '"daily", "mon-wed" or "thu,sun"'
DATE, SEASON, RULE = '"2026-12-24"', '"11-27..01-06"', "FREQ=YEARLY;BYMONTH=11;BYDAY=4TH"
FROM, DARK, DIM = 'from = "sunset + 20 min"', 'dark = [{ days = "mon-thu,sun", from = "22:30"', "brightness = 0.5"
ON, SINCE = 'dates = ["2026-12-24"]', 'season = "11-27..01-06"'
BY = 'rrule = "FREQ=YEARLY;BYMONTH=11;BYDAY=4TH"'

CASES: tuple[tuple[str, str, str, str, str], ...] = (
    # what stands there, what is written in its place, the key, what is said to be wrong, what would be right
    # times
    (FROM, 'from = "25:00"', "performance[0].from", "'25:00' is not a time of day", TIME),
    (FROM, 'from = "22:60"', "performance[0].from", "'22:60' is not a time of day", TIME),
    (FROM, 'from = "7:00"', "performance[0].from", "'7:00' is not a time", TIME),
    (FROM, 'from = "10 pm"', "performance[0].from", "'10 pm' is not a time", TIME),
    (FROM, 'from = "22:30:00"', "performance[0].from", "'22:30:00' is not a time", TIME),
    (FROM, "from = 22:30:00", "performance[0].from", "22:30:00 is not a time", TIME),
    (FROM, "from = 2230", "performance[0].from", "2230 is not a time", TIME),
    (FROM, 'from = ""', "performance[0].from", "'' is not a time", TIME),
    (FROM, "from = true", "performance[0].from", "True is not a time", TIME),
    (FROM, 'from = ["22:30"]', "performance[0].from", "['22:30'] is not a time", TIME),
    (FROM, 'from = "sunset+20 min"', "performance[0].from", "'sunset+20 min' is not a time", TIME),
    (FROM, 'from = "sun set"', "performance[0].from", "'sun set' is not a time", TIME),
    (FROM, 'from = "Sunset"', "performance[0].from", "'Sunset' is not a time", TIME),
    (FROM, 'from = "noon"', "performance[0].from", "'noon' is not a time", TIME),
    (FROM, 'from = "sunset + 20"', "performance[0].from", "'20' is not a length", LENGTH),
    (FROM, 'from = "sunset + 20 minutes"', "performance[0].from", "'20 minutes' is not a length", LENGTH),
    (FROM, 'from = "sunset + -20 min"', "performance[0].from", "'-20 min' is not a length", LENGTH),
    (FROM, 'from = "sunset + 13 h"', "performance[0].from", "more than 12 hours", "sunset + 20 min"),
    (FROM, 'from = "sun at"', "performance[0].from", "'sun at' is not a time", TIME),
    (FROM, 'from = "sun at -40"', "performance[0].from", "-18 to 18 degrees", "sun at -4"),
    (FROM, 'from = "sun at low"', "performance[0].from", "'sun at low' is not a time", TIME),
    (FROM, "from = '٢٢:٣٠'", "performance[0].from", "is not a time", TIME),
    (FROM + "\n", "", "performance[0].from", "it is missing", '"22:30"'),
    (DARK, DARK.replace("22:30", "24:00"), "neighbours.dark[0].from", "'24:00' is not a time of day", TIME),
    ('if_no_sunset = "15:30"', 'if_no_sunset = "half past three"', "site.if_no_sunset", "is not a time", TIME),
    ('not_before = "16:30"', 'not_before = "16.30"', "performance[0].not_before", "'16.30' is not a time", TIME),
    # lengths
    ('gap = "4 s"', "gap = 4", "show[0].gap", "4 is not a length", LENGTH),
    ('gap = "4 s"', 'gap = "4 sec"', "show[0].gap", "'4 sec' is not a length", LENGTH),
    ('gap = "4 s"', 'gap = "-4 s"', "show[0].gap", "'-4 s' is not a length", LENGTH),
    ('gap = "4 s"', 'gap = "99999999 h"', "show[0].gap", "is not a length", LENGTH),
    ('grace = "3 min"', 'grace = "3m"', "performance[0].grace", "'3m' is not a length", LENGTH),
    ('grace = "3 min"', 'grace = "2 h"', "performance[0].grace", "an hour at most", '"3 min"'),
    ('start_every = "30 min"', 'start_every = "10 s"', "show[0].start_every", "every 1 min to 24 h", '"30 min"'),
    ('fade = "1 s"', 'fade = "1 min"', "output.fade", "10 s at most", '"1 s"'),
    # days and dates
    ('days = "mon-sun"', 'days = "weekdays"', "performance[0].days", "'weekdays' are not days", DAYS),
    ('days = "mon-sun"', 'days = "Mon"', "performance[0].days", "'Mon' are not days", DAYS),
    ('days = "mon-sun"', 'days = "fri-sat-sun"', "performance[0].days", "are not days", DAYS),
    ('days = "mon-sun"', "days = 5", "performance[0].days", "5 are not days", DAYS),
    ('days = "mon-sun"', 'days = ""', "performance[0].days", "'' are not days", DAYS),
    (
        'days = "mon-sun"',
        'days = "daily"\ndates = ["12-26"]',
        "performance[0]",
        "exclude each other",
        "give one of them",
    ),
    (ON, 'dates = ["2026-02-29"]', "performance[1].dates[0]", "not a date that exists", DATE),
    (ON, 'dates = ["2026-13-01"]', "performance[1].dates[0]", "not a date that exists", DATE),
    (ON, 'dates = ["24.12.2026"]', "performance[1].dates[0]", "not a date that exists", DATE),
    (ON, 'dates = ["24 December"]', "performance[1].dates[0]", "not a date that exists", DATE),
    (ON, 'dates = ["2026-12-26..2026-12-24"]', "performance[1].dates[0]", "not a date that exists", DATE),
    (ON, 'dates = ["9999-12-24"]', "performance[1].dates[0]", "not a date that exists", DATE),
    (ON, 'dates = "2026-12-24"', "performance[1].dates", "should be a valid list", DATE),
    (ON, "dates = []", "performance[1].dates", "at least 1 item", DATE),
    (ON, "dates = [2026-12-24T10:00:00]", "performance[1].dates[0]", "is not a date", DATE),
    (ON, "dates = [24]", "performance[1].dates[0]", "24 is not a date", DATE),
    (ON, 'dates = ["easter -2"]', "performance[1].dates[0]", "not a date that exists", "easter - 2 days"),
    (ON, 'dates = ["easter - 400 days"]', "performance[1].dates[0]", "more than a year", "easter - 2 days"),
    (ON, 'dates = ["whitsun"]', "performance[1].dates[0]", "not a date that exists", DATE),
    (ON, 'dates = ["holidays of ZZ"]', "performance[1].dates[0]", "no public holidays", "holidays of GB-ENG"),
    (ON, 'dates = ["holidays of GB-QQQ"]', "performance[1].dates[0]", "no public holidays", "holidays of GB-ENG"),
    (ON, 'dates = ["holidays"]', "performance[1].dates[0]", "not a date that exists", "holidays of GB-ENG"),
    ('except = ["12-24"]', 'except = ["12-32"]', "performance[0].except[0]", "not a date that exists", DATE),
    # seasons
    (SINCE, 'season = "11-27"', "performance[0].season", "is not a season", SEASON),
    (SINCE, 'season = "11-27 to 01-06"', "performance[0].season", "is not a season", SEASON),
    (SINCE, 'season = "winter"', "performance[0].season", "is not a season", SEASON),
    (SINCE, 'season = "2026-11-27..01-06"', "performance[0].season", "is not a season", SEASON),
    (SINCE, 'season = "2027-11-27..2027-01-06"', "performance[0].season", "is not a season", SEASON),
    (SINCE, 'season = "11-31..01-06"', "performance[0].season", "is not a season", SEASON),
    (SINCE, 'season = "11-27..12-24..01-06"', "performance[0].season", "is not a season", SEASON),
    (SINCE, "season = 2026", "performance[0].season", "2026 is not a season", SEASON),
    # rules, RFC 5545 3.3.10
    (BY, 'rrule = "every thursday"', "performance[2].rrule", "is not a rule of days", RULE),
    (BY, 'rrule = "FREQ=HOURLY"', "performance[2].rrule", "is not a rule of days", RULE),
    (BY, 'rrule = "FREQ=YEARLY;BYDAY=5XX"', "performance[2].rrule", "is not a rule of days", RULE),
    (BY, 'rrule = "FREQ=YEARLY;BYMOON=1"', "performance[2].rrule", "is not a rule of days", RULE),
    (BY, 'rrule = "FREQ=DAILY;BYHOUR=3"', "performance[2].rrule", "is not a rule of days", RULE),
    (BY, 'rrule = "FREQ=DAILY;BYMONTH=2;BYMONTHDAY=30"', "performance[2].rrule", "it never has a date", RULE),
    (BY, 'rrule = "FREQ=DAILY;COUNT=10"', "performance[2].rrule", "has a COUNT", "UNTIL=20270106"),
    (BY, 'rrule = "FREQ=WEEKLY;INTERVAL=2"', "performance[2].rrule", "has an INTERVAL", "DTSTART:20261127"),
    (BY, 'rrule = "DTSTART:20261127\\nFREQ=DAILY;INTERVAL=0"', "performance[2].rrule", "above 0", RULE),
    (BY, 'rrule = "FREQ=DAILY;UNTIL=christmas"', "performance[2].rrule", "is not a rule of days", RULE),
    (BY, 'rrule = "DTSTART:20269999\\nFREQ=DAILY"', "performance[2].rrule", "20269999 is not a date", RULE),
    (BY, "rrule = 4", "performance[2].rrule", "4 is not a rule", RULE),
    # the rest of a schedule
    ("rank = 1", "rank = -1", "performance[2].rank", "-1", "rank = 0"),
    ("rank = 1", 'rank = "high"', "performance[2].rank", "'high'", "rank = 0"),
    ('at_close = "finish"', 'at_close = "stop"', "performance[0].at_close", "'finish' or 'cut'", '"finish"'),
    ('play = "shuffled"', 'play = "random"', "show[0].play", "'in-order' or 'shuffled'", '"in-order"'),
    ('between = "swell"', 'between = "wave"', "show[0].between", "no piece 'wave'", "swell"),
    ('order = ["lanterns"]', 'order = ["lantern"]', "show[1].order[0]", "no piece 'lantern'", "lanterns"),
    ('order = ["lanterns"]', "order = []", "show[1].order", "at least 1 item", "order ="),
    ('show = "turn of the year"', 'show = "new year"', "performance[2].show", "no show 'new year'", "evening"),
    ('name = "swell"', 'name = "tide"', "piece[3].name", "two of the name 'tide'", "a name of its own"),
    ('days = "mon-sun"', 'dayz = "daily"', "performance[0].dayz", "there is no such key", "did you mean days?"),
    (
        "dim = [{ days",
        "dim = [{ except_ = [], days",
        "neighbours.dim[0].except_",
        "no such key",
        "did you mean except?",
    ),
    (DIM, "brightness = 1.5", "neighbours.dim[0].brightness", "1.5", "brightness = 0.5"),
    (", " + DIM, " ", "neighbours.dim[0].brightness", "it is missing", "brightness = 0.5"),
    (DIM, "brightness = nan", "neighbours.dim[0].brightness", "nan", "brightness = 0.5"),
    ('[[show]]\nname = "turn', '[[shows]]\nname = "turn', "shows", "there is no such key", "did you mean show?"),
    ('dim = [{ days = "daily"', 'dim = ["evening", { days = "daily"', "neighbours.dim[0]", "a table", "dim = [{"),
    ("quiet = [{", 'quiet = "21:00" # [{', "neighbours.quiet", "a valid list", "quiet = [{"),
    ('frames = "pieces/tide', 'frames = "piece/tide', "piece[1].frames", "there is no such file", "pieces/tide.frames"),
    # the place, and what goes out
    ("latitude = 54.486", "latitude = 95", "site.latitude", "95", "latitude = 54.486"),
    ("latitude = 54.486", 'latitude = "north"', "site.latitude", "'north'", "latitude = 54.486"),
    ("latitude = 54.486\n", "", "site.latitude", "it is missing", "latitude = 54.486"),
    ("longitude = -0.613", "longitude = -200.0", "site.longitude", "-200.0", "longitude = -0.613"),
    ('timezone = "Europe/London"', 'timezone = "Europe/Whitby"', "site.timezone", "no time zone", '"Europe/London"'),
    ('timezone = "Europe/London"', 'timezone = "../etc"', "site.timezone", "no time zone", '"Europe/London"'),
    ('timezone = "Europe/London"', "timezone = 0", "site.timezone", "0 is not a time zone", '"Europe/London"'),
    ("elevation_m = 12.0", "elevation_m = 20000", "site.elevation_m", "20000", "elevation_m = 12.0"),
    ("priority = 100", "priority = 201", "output.priority", "201", "priority = 100"),
    ("synchronization = 7000", "synchronization = 0", "output.synchronization", "0", "synchronization = 7000"),
    ("synchronization = 7000", "synchronization = 64000", "output.synchronization", "64000", "= 7000"),
    ("brightness = 0.8", "brightness = 80", "output.brightness", "80", "brightness = 0.5"),
    ('between_performances = "black"', 'interface = "e\\u0000"', "output.interface", "should match", '"eth0"'),
    (
        'between_performances = "black"',
        'between_performances = "white"',
        "output.between_performances",
        "'black' or 'release'",
        '"black"',
    ),
    ('listen = "127.0.0.1:0"', 'listen = "8080"', "phone.listen", "not an address and a port", '"0.0.0.0:8080"'),
    ('trust = "plausible"', 'trust = "always"', "clock.trust", "'synchronised' or 'plausible'", '"synchronised"'),
)
