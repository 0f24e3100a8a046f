"""Job records: the photos, the figures and the history stay with the job.

One way in and out::

    words typed -> place.find_place -> store.open_store -> Store
    Store + facts -> write.new_job, add_operation, attach, add_note, dispose, correct, add_wheel_facts -> Entry
    Store -> read.entries, jobs, head; search.find; verify.verify; backup.back_up

A record is a chain of entries; nothing in it is ever changed, see `chain`.
"""
