"""Transducer sentences by pynmea2, one for each line of standard input.

A line is the fields of a sentence, comma separated.
"""
import sys

import pynmea2

for line in sys.stdin:
    print(str(pynmea2.XDR("II", "XDR", tuple(line.strip().split(",")))), end="\r\n")
