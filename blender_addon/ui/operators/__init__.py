"""Everything the user can press, a file a section."""

from ...scene import keeping
from ...work import jobs
from . import asbuilt, client, glove, keys, opening, pictures, placing, running, sculpt, seam, shaping, sheets, trials

_PARTS = (running, sculpt, opening, seam, shaping, glove, keys, placing, sheets, pictures, client, asbuilt, trials)


def register():
    for part in _PARTS:
        part.register()


def unregister():
    job = jobs.job()
    if job is not None:
        job.stop(10.0)
    for part in reversed(_PARTS):
        part.unregister()
    keeping.new_file()
    jobs.clear()
