"""XDR sentences into values by pynmea2, with the checksum looked at."""
import json
import math
import sys

import pynmea2

from vehicle import median_time

lines = json.load(sys.stdin)["text"].splitlines()


def read():
    total = 0.0
    for line in lines:
        sentence = pynmea2.parse(line, check=True)
        for i in range(sentence.num_transducers):
            t = sentence.get_transducer(i)
            value = float(t.value)
            total += math.radians(value) if t.type == "A" else value
    return total


print(json.dumps({"sum": read(), "seconds": median_time(read)}))
