"""Baseline: lxml for the XML, zlib and numpy for the arrays, scipy for the peaks. python lxml_scipy.py DAY [OUT.csv]"""

import base64
import zlib

import numpy as np
from lxml import etree

from day_common import main

MZML = "{http://psi.hupo.org/ms/mzml}"
CV = f"{MZML}cvParam"


def accessions(element):
    return {param.get("accession"): param.get("value") for param in element.iterchildren(CV)}


def target(element):
    for param in element.iter(CV):
        if param.get("accession") == "MS:1000827":
            return float(param.get("value"))
    raise ValueError("no isolation window target")


def array(element):
    """(accession of the kind, numbers) of one binaryDataArray."""
    terms = accessions(element)
    packed = base64.b64decode(element.find(f"{MZML}binary").text)
    if "MS:1000574" in terms:
        packed = zlib.decompress(packed)
    numbers = np.frombuffer(packed, "<f8" if "MS:1000523" in terms else "<f4")
    return ("time" if "MS:1000595" in terms else "intensity"), numbers


def read_file(path):
    tree = etree.parse(path)
    for chromatogram in tree.iter(f"{MZML}chromatogram"):
        precursor = chromatogram.find(f"{MZML}precursor")
        product = chromatogram.find(f"{MZML}product")
        if precursor is None or product is None:
            continue
        arrays = dict(array(of) for of in chromatogram.iter(f"{MZML}binaryDataArray"))
        yield target(precursor), target(product), arrays["time"], arrays["intensity"].astype(float)


if __name__ == "__main__":
    main(read_file)
