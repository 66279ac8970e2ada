"""An invented machine and a bench for it, as files; the bench has blanks for what tests vary."""

MACHINE = """
[machine]
name = "Hollin T18 garden tractor"
manual = "page 14"
[engine]
full_throttle_rpm = [3350, 3650]
[stator]
min_volts_ac = 28.0
at_rpm = 3600
magnet_poles = 12
[regulator]
rated_amps = 15.0
at_rpm = 3600
settled_volts = [13.8, 14.7]
ceiling_volts = 15.0
[battery]
amp_hours = 28.0
"""

BENCH = """
[bench]
name = "bay 1"
[instruments.volts]
driver = "scpi"
port = "/dev/volts"
max_volts = {max_volts}
calibration_due = 2026-01-31
[instruments.amps]
driver = "digits11"
port = "/dev/amps"
max_amps = {max_amps}
[instruments.tach]
driver = "tach-lines"
port = "/dev/tach"
[channels.battery_volts]
instrument = "volts"
function = "dc volts"
[channels.charge_amps]
instrument = "amps"
function = "dc amps"
{shunt}
[channels.stator_volts]
instrument = "volts"
function = "ac volts"
[channels.engine_rpm]
instrument = "tach"
"""
