"""The web application over one workspace. It computes nothing of its own: it calls `runs`.

How a page is added
-------------------
1. Write ``def trucks(visit: Visit) -> Response`` in a module below ``pages/``. It is called in a
   worker thread, so it may compute and read files. `Visit` (in ``visits.py``) holds everything:

   - ``visit.site.computed``: ``fleet()``, ``plan(storm, what_if)``, ``settings()``, ``storms()``,
     each made once and kept until an input file changes; ``remember(name, make)`` keeps anything
     else that is made from the inputs, such as a view model or the text of a map layer;
   - ``visit.display`` shows quantities in the visitor's units; ``visit.setting`` is what reports
     take;
   - ``visit.site.store``: ``rows(file)`` with a mark for each row, and ``apply(edits, who, what)``
     which writes `Add`, `Change` and `Remove` to the workspace's files, checked, all or none;
   - ``visit.site.jobs``: ``start(command, storm, who)`` runs a command in a process of its own;
   - ``visit.path(name)``, ``visit.query(name)``, ``visit.field(name)``, ``visit.fields(name)`` and
     ``visit.body`` (JSON) are what came with the request;
   - ``visit.render("web/trucks.html", ...)``, ``visit.json(data)``, ``visit.go_to("/trucks")``.

2. Name it in the list ``ROUTES`` of its module, and that list in ``pages/home.py``:
   ``page("/trucks", trucks)`` answers GET; ``action("/trucks/{truck}/tests", save, role="record")``
   answers POST; ``upload(...)`` answers PUT with the body still to be streamed. The role is the
   lowest that may: read, record, plan, administer.

3. The template extends ``web/base.html`` (blocks ``title``, ``content``, ``head``) and finds
   ``csrf``, ``who``, ``can(role)``, ``display``, ``units``, ``theme``, ``here``, ``notices``,
   ``workspace_name``, ``storms``, ``static(name)``. A form carries
   ``<input type="hidden" name="csrf" value="{{ csrf }}">``; a script sends the token of
   ``<meta name="csrf">`` as the header ``X-CSRF-Token``.

Scripts and styles are files below ``templates/static``: the content-security-policy lets through
no inline script, no inline style and no other host. A script that wants data in the page reads a
``<script type="application/json" id="...">`` or asks an address of ours.

Errors need no handling in a page: `BadInput` and `Refused` become a page (or JSON, where the
request asks for it or came with JSON) that names every problem, with status 422; `Conflict` 409;
`CannotWrite` 503. A page that wants the problems beside its fields catches `Refused` and shows
``error.at(edit_number, column)``.
"""

from spreadplan.web.app import create_app
from spreadplan.web.serve import serve

__all__ = ["create_app", "serve"]
