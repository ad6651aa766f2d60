"""From a phone photo of a part beside printed checkerboard sheets to a true, re-cuttable pattern in millimetres.

The floors, lowest first: ``model`` (outline, camera, sheet), ``vision`` (pixels to true points), ``fitting`` (points
to curves), ``meaning`` (what they seem to mean), ``shop`` (a routing plan), ``compare``, ``rebuild``, ``editing`` (by
hand), ``formats`` (bytes in, bytes out), ``files`` (the only disk access), ``catalogue``, ``pipeline`` (the flow),
``draft``, ``commands``, ``web`` (the page), ``cli``.
"""

__version__ = "0.4.0"
