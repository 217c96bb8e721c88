import os

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")  # here, so that plain pytest works too
