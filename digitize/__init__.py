"""From a phone photo of a part beside printed checkerboard sheets to a true, re-cuttable pattern in millimetres.

The floors, lowest first: ``model`` (outline, camera, sheet), ``vision`` (pixels to true points), ``fitting`` (points
to curves), ``formats`` (bytes in, bytes out), ``files`` (the only disk access), ``pipeline`` (the flow), ``cli``.
"""

__version__ = "0.1.0"
