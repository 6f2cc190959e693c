"""Reads an SVG as XML and prints each text in it on a line."""

import sys
import xml.etree.ElementTree as ElementTree

SVG = "{http://www.w3.org/2000/svg}"

root = ElementTree.parse(sys.argv[1]).getroot()
if root.tag != f"{SVG}svg" or "viewBox" not in root.attrib:
    sys.exit(f"{sys.argv[1]} is no picture: {root.tag}")
for text in root.iter(f"{SVG}text"):
    print("".join(text.itertext()))
