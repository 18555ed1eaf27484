"""Baseline: pyteomics for mzML, scipy for the peaks. python pyteomics_scipy.py DAY [OUT.csv]"""

import numpy as np
from pyteomics import mzml

from day_common import main


def read_file(path):
    with mzml.PreIndexedMzML(path, iterative=True, use_index=False) as reader:
        for chromatogram in reader.iterfind("chromatogram"):
            if "precursor" not in chromatogram or "product" not in chromatogram:
                continue
            yield (
                chromatogram["precursor"][0]["isolationWindow"]["isolation window target m/z"],
                chromatogram["product"][0]["isolationWindow"]["isolation window target m/z"],
                np.asarray(chromatogram["time array"]),
                np.asarray(chromatogram["intensity array"], float),
            )


if __name__ == "__main__":
    main(read_file)
