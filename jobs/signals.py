"""What other packages may listen for."""

from django.dispatch import Signal

# Sent after the commit that refolded stages: `shop_id`, `stage_ids` (all refolded ones).
stages_folded = Signal()

# Sent after the commit that brought in many finished stages at once: `shop`, and `progress` (a text to a callable).
history_written = Signal()

# Sent inside the transaction that changes on which drivers kinds of stage depend: `shop`, `kind_ids`.
drivers_changed = Signal()

# Sent to ask whether jobs may go for good: `shop`, `job_ids`. Receivers answer with pairs of a job's key and what of
# theirs it must stay for, in words.
jobs_going = Signal()
