"""Importing the classifier's room costs nothing heavy."""

import subprocess
import sys


def test_importing_loads_no_runtime():
    code = (
        "import sys, dooryard.classify, dooryard.classify.onnx, dooryard.classify.fake; "
        "sys.exit('onnxruntime' in sys.modules or 'onnx' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False, timeout=60).returncode == 0
