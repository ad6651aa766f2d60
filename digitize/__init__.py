"""From a phone photo of a part beside printed checkerboard sheets to a true, re-cuttable pattern in millimetres.

The floors, lowest first: ``model`` (outline, camera, sheet), ``vision`` (pixels to true points), ``fitting`` (points
to curves), ``meaning`` (what they seem to mean), ``shop`` (a routing plan), ``compare``, ``rebuild``, ``formats``
(bytes in, bytes out), ``files`` (the only disk access), ``pipeline`` (the flow), ``commands``, ``cli``.
"""

__version__ = "0.2.0"
