"""The commented configuration that ``gylewatch init`` writes."""

from __future__ import annotations

from typing import Final

FIRST_CONFIG: Final = """\
# gylewatch: configuration. Check a change with: gylewatch status
# Files named here are looked for beside this file. Passwords stand in files of their own or in the environment.

[database]
url = "sqlite:///gylewatch.sqlite"      # or postgresql://USER@HOST/NAME; with a password use url_file or url_env

[[mqtt]]                                # the broker your floats publish to; write [[mqtt]] again for another one
name = "broker"
host = "127.0.0.1"
port = 1883                             # 8883 is usual with tls
# protocol = "3.1.1"                    # for a broker that does not speak MQTT 5
# client_id = "gylewatch"               # the broker keeps unread messages under this name; one service, one name
# username = "gylewatch"
# password_file = "mqtt-password"       # or password_env = "NAME_OF_VARIABLE"
# prefix = "gylewatch/v1"               # of the topics <prefix>/readings/<float> and of what gylewatch publishes
# tls = true
# ca_file = "ca.pem"                    # where the broker's certificate is not signed by a public authority
# [[mqtt.mapping]]                      # a float that publishes JSON of its own on a topic of its own
# topic = "cellar/+/tilt"
# float_level = 1                       # the topic's level that names the float, counted from 0; or float = "heron"
# angle = { pointer = "/tilt", unit = "deg" }
# temperature = { pointer = "/temp", unit = "Cel" }
# battery = { pointer = "/battery", unit = "V" }
# [[mqtt.probe]]                        # a vessel's own thermometer, compared with the float's; SenML, a record
# name = "thermowell-1"                 # "temperature" in Cel or K, on <prefix>/temperatures/<name>
# vessel = "FV1"                        # in which it sits; about one reading a minute is kept
# topic = "cellar/fv1/temp"             # a probe with JSON of its own on a topic of its own
# temperature = { pointer = "/temp", unit = "Cel" }   # pointer = "" where the payload is the bare number

[http]
host = "127.0.0.1"                      # only this machine; "0.0.0.0" opens the page to your whole network
# Anyone who can reach the page may start, change, end and remove batches, rename floats and vessels, enter or withdraw
# samples and acknowledge alerts: its forms ask for no token. Keep it on 127.0.0.1, or behind your own access control.
port = 8220
# token_file = "http-token"             # at least 16 characters; needed to post readings and samples over HTTP
# names = ["brewery.example"]           # host names, beside plain addresses, under which the page may be opened
# temperature_unit = "F"                # on the screen only

# [floats]
# long_axis = "z"                       # of floats that send acceleration: the sensor's axis along the float
# oldest_days = 45                      # older readings are refused: the float's clock was wrong
# clock_ahead_minutes = 5               # how far a float's clock may be ahead
# wait_for_network_time = true          # for a board without a clock battery: hold readings until its clock is set

# [ble]                                 # floats that advertise over Bluetooth: gylewatch float add NAME --address ...
# adapter = "hci0"                      # else the first that is switched on; or several: adapters = ["hci0", "hci1"]
# scanning = "active"                   # or passive
# [[ble.float]]                         # only for a float that encrypts (BTHome), or is mounted another way
# name = "heron"
# key_file = "heron-key"                # 32 hex digits; after a new battery: gylewatch float forget-counter heron
# [[ble.layout]]                        # a float that advertises in a layout of its own
# company = 65535                       # of manufacturer data; or service = 64722 of service data
# angle = { offset = 2, type = "i16", unit = "deg", scale = 0.01 }
# temperature = { offset = 4, type = "i16", unit = "Cel", scale = 0.01 }

# [[notify]]                            # where alerts go, as an Apprise address; write it again for another one
# name = "phone"
# url_file = "notify-url"               # or url = "..." where it holds no secret
# least = "info"                        # or warning, critical: milder alerts do not go here
# time_zone = "Europe/Vienna"           # of the times in a message, and of the two below
# quiet = ["22:00", "07:00"]            # what is not critical waits until the end; what is over by then is not told
# digest = "08:00"                      # a daily summary of each active batch
# remind_hours = 12                     # tell an open warning again (three times at most), until it is acknowledged
# picture = false                       # no picture of the last days along with the text
# after_hours = 6                       # a second line: only what is open and unacknowledged for so long

# [alerts.float-silent]                 # every kind of alert has its own table; see docs/alerts.md
# floor_h = 4.0

# [instruments]                         # your own, where they differ; for batches that are added from then on
# hydrometer_calibration_c = 20.0       # at which its scale is true; 15.56 if it says 60 °F
# hydrometer_offset_points = 1.0        # added to each reading: 1.0 if it shows 0.999 in plain water
# hydrometer_meniscus_points = 1.0      # added if you read at the top of the meniscus
# refractometer_wort_factor = 1.04      # its reading over the hydrometer's Brix in the same unfermented wort
# refractometer_compensates = true      # false for one without automatic temperature compensation

# [retention]
# readings_days = 730                   # raw readings older than this are deleted; estimates and alerts are kept
# estimates_days = 365                  # so long after the end of a batch one estimate an hour is left of it

# [backup]                              # a copy of the SQLite database each night, or soon after it was missed
# folder = "backups"
# keep = 7

# [log]
# level = "info"                        # debug, info, warning or error
# format = "text"                       # or json
"""
