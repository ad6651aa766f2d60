"""From pixels to true outline points. OpenCV and scikit-image stay on this floor."""

try:
    import cv2  # noqa: F401
except ImportError as error:
    raise ImportError(
        f"OpenCV cannot start ({error}): install the system library it asks for; "
        "for libGL.so.1 on Debian and its kin that is `apt-get install libgl1`."
    ) from error
