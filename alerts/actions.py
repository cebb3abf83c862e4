"""What an answer does, once it is known who said it and to which prompt.

Whoever reads answers (a text, a link, the board, the command line) makes an ``Answer`` with a verb and the
prompt's code and adds it to ``logbook.answers``; it never touches a prompt. ``answers.Judge`` checks sender and
code, then calls ``Actions.follow``. The verbs:

- ``acknowledge``: seen. The escalation clock is put off by one step, not stopped: seeing is not doing.
- ``mine``: taken. The clock stops; everything about it goes to this person, who is asked (``check-back``) after
  ``roster.escalation.check_back`` minutes whether it still stands; no answer to that, and escalation goes on.
- ``done`` (text: what was done): as ``mine``, with the verdict; cleared by the readings, not by word. On a prompt
  that asks about work (``about`` begins with ``work:``): the work has ended.
- ``false`` (text: why): cleared, counted as a false call; told again only if it becomes worse.
- ``wait`` (text: ``30m``, ``4h``, ``2d``; 4 h if none): shelved until then. On a prompt about work: prolonged by it.
- ``pass`` (text: a person's id, or nothing): the next of the duty is told, their clock begins anew.
- ``unshelve``: back from the shelf at once; the board's button, no word for it in a text.
- ``work`` (text as ``wait``): the prompt's skid is out of service for that time, because this person works there.

Channels and hand-over. ``Channel.send(delivery)`` returns the gateway's own number of the message, or None; a
receipt later goes in by ``logbook.prompts.receipt(channel, reference, delivered)``. Each channel says by a class
attribute ``part`` what it is for:

- ``message`` (default where ``address`` is ``phone``): the one message that somebody gets. The first one that the
  person has an address for; the next one when that has failed for good; then the next person of the duty.
- ``ring``: a call that wakes, in addition, for what may not wait and is of high priority or sent in the night.
- ``copy`` (default else: e-mail, file, webhook, console): in addition, always; counts as told only where there is
  no ``message`` channel.

``delivery.text`` is written at the moment of sending, so a message is never older than what it says;
``delivery.purpose`` is ``prompt``, ``reminder`` (nobody has answered), ``check-back`` or ``summary`` (flood).
Failed for good: three attempts, a receipt ``undelivered``, or no address. Escalation steps, and who is on duty
when, stand in ``skidhand.fleet.roster``.
"""
