"""The bench page: a phone takes the photo, the shop's computer measures, the verdict stands on the phone.

::

    photo ─▶ submissions (kept on disk) ─▶ pool of worker processes ─▶ files of an answer ─▶ page or API ─▶ job record

No account, no cloud: every byte of the page comes from this package, every byte of a photo stays on this computer.
"""
