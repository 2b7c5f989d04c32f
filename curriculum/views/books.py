"""Books: the list, one book, entering its contents list, importing and exporting."""

import hashlib
import json
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any
from uuid import UUID

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.http import content_disposition_header
from django.views.decorators.http import require_http_methods, require_safe

from curriculum import services
from curriculum.forms import BookFileForm, BookForm, ContentsForm, MoreContentsForm, one_line
from curriculum.models import Book, Unit
from curriculum.outline import (
    BookOutline,
    Contents,
    ContentsLine,
    OutlineError,
    UnitOutline,
    read_contents,
    read_json,
    write_json,
    write_table,
)
from curriculum.outline.book import LONGEST_TITLE
from curriculum.outline.merging import shareable
from curriculum.queries import LearnerGraph, LearnerRequest, get_book, learner_graph, skills_by_slug
from curriculum.views.merging import choices_of, offer_of, target_of
from curriculum.views.presenting import add_errors, unit_row

# Units on one page of a book. A longer book is shown part by part, at a chapter where there is one.
UNITS_A_PAGE = 60
# Doubtful lines named above a preview; the rest are only counted, and marked in the list itself.
MOST_DOUBTS = 12
# Characters of books that travel in the preview's form and come back with it: below the size of a form that Django reads.
LONGEST_DOCUMENTS = 3_500_000


@dataclass(frozen=True, slots=True)
class Part:
    """A run of units under one heading. `number` counts from 1 and names the part in the address."""

    number: int
    name: str
    first: int
    last: int
    units: list[Unit]


@dataclass(frozen=True, slots=True)
class Preview:
    """A contents list as it would be kept."""

    chapters: list[tuple[str, list[ContentsLine]]]
    count: int
    doubts: list[tuple[int, str]]
    count_more: int
    skipped: int


@require_safe
def book_list(request: LearnerRequest) -> HttpResponse:
    """All books. One alone is shown itself."""
    books = list(Book.objects.filter(learner=request.user))
    if len(books) == 1 and "all" not in request.GET:
        return redirect("curriculum:book", books[0].pk)
    graph = learner_graph(request.user)
    rows = []
    for book in books:
        units = graph.units_of(book)
        here = graph.here(book)
        rows.append(
            {
                "book": book,
                "count": len(units),
                "count_done": sum(graph.is_done(unit) for unit in units),
                "here": unit_row(graph, here, here=here) if here else None,
            }
        )
    return render(request, "curriculum/book_list.html", {"rows": rows})


@require_safe
def book(request: LearnerRequest, pk: UUID) -> HttpResponse:
    found = get_book(request.user, pk)
    graph = learner_graph(request.user)
    units = graph.units_of(found)
    here = graph.here(found)
    parts = split(units)
    shown = _shown_parts(parts, wanted=request.GET.get("part", ""), here=here)
    sections = [(part, [unit_row(graph, unit, here=here) for unit in part.units]) for part in shown]
    return render(
        request,
        "curriculum/book.html",
        {
            "book": found,
            "count": len(units),
            "count_done": sum(graph.is_done(unit) for unit in units),
            "here": here,
            "sections": sections,
            "other_parts": [part for part in parts if part not in shown],
            "unnamed": _unnamed(graph, found),
            "count_books": len({unit.book_id for unit in graph.units.values()}),
        },
    )


def _unnamed(graph: LearnerGraph, found: Book) -> Unit | None:
    """The first of the next two units that does not say what is new in it."""
    return next((unit for unit in graph.next_units(found) if not graph.teaches[str(unit.pk)]), None)


def split(units: Sequence[Unit]) -> list[Part]:
    """Split a book at its chapters, and chapters that are longer than a page at every page's end."""
    runs: list[tuple[str, list[Unit]]] = []
    for unit in units:
        if not runs or runs[-1][0] != unit.chapter or len(runs[-1][1]) >= UNITS_A_PAGE:
            runs.append((unit.chapter, []))
        runs[-1][1].append(unit)
    return [
        Part(number=number, name=name, first=run[0].position, last=run[-1].position, units=run)
        for number, (name, run) in enumerate(runs, start=1)
    ]


def _shown_parts(parts: Sequence[Part], *, wanted: str, here: Unit | None) -> list[Part]:
    """A short book whole; of a long one the part asked for, else the one where the learner stands."""
    if sum(len(part.units) for part in parts) <= UNITS_A_PAGE:
        return list(parts)
    number = int(wanted) if re.fullmatch("[0-9]{1,4}", wanted) else 0
    asked = [part for part in parts if part.number == number]
    standing = [part for part in parts if here and any(unit.pk == here.pk for unit in part.units)]
    return asked or standing or list(parts[:1])


@require_http_methods(["GET", "HEAD", "POST"])
def book_new(request: LearnerRequest) -> HttpResponse:
    return enter_book(
        request,
        template="curriculum/book_new.html",
        onward=lambda book: reverse("curriculum:book", args=[book.pk]),
        context={},
    )


def enter_book(
    request: LearnerRequest, *, template: str, onward: Callable[[Book], str], context: dict[str, Any]
) -> HttpResponse:
    """Paste, look at the preview, keep. Nothing is written before the learner has seen what would be."""
    form = ContentsForm(request.POST if request.method == "POST" else None, learner=request.user)
    preview: Preview | None = None
    if request.method == "POST" and form.is_valid():
        title = form.cleaned_data["title"]
        if "empty" in request.POST:
            return redirect(onward(services.add_book(request.user, title=title)))
        contents = _read(form)
        if contents is not None:
            preview = preview_of(contents)
            if _keeps(request, form):
                try:
                    return redirect(onward(services.add_book(request.user, title=title, units=outlines(contents))))
                except ValidationError as error:
                    add_errors(form, error)
    return _answer_contents(request, template, form=form, preview=preview, context=context)


@require_http_methods(["GET", "HEAD", "POST"])
def book_append(request: LearnerRequest, pk: UUID) -> HttpResponse:
    found = get_book(request.user, pk)
    count = found.units.count()
    form = MoreContentsForm(request.POST if request.method == "POST" else None, learner=request.user)
    preview: Preview | None = None
    if request.method == "POST" and form.is_valid():
        contents = _read(form)
        if contents is not None:
            preview = preview_of(contents)
            if _keeps(request, form, after=count):
                try:
                    rows = services.append_units(found, outlines(contents))
                    messages.success(request, f"{len(rows)} units added at the end of {found.title}.")
                    return redirect("curriculum:book", found.pk)
                except ValidationError as error:
                    add_errors(form, error)
    return _answer_contents(
        request, "curriculum/book_append.html", form=form, preview=preview, context={"book": found}, after=count
    )


def _read(form: ContentsForm) -> Contents | None:
    try:
        return read_contents(form.cleaned_data["contents"])
    except OutlineError as error:
        form.add_error("contents", str(error))
        return None


def _digest(text: str, *, after: int) -> str:
    """Stand for a list as it was shown, at the end of a book of `after` units."""
    lines = "\n".join([str(after), *text.splitlines()])
    return hashlib.sha256(lines.encode("utf-8", "surrogatepass")).hexdigest()


def _keeps(request: LearnerRequest, form: ContentsForm, *, after: int = 0) -> bool:
    """Keep only what was shown: a list or a book that changed since the preview is shown once more."""
    seen = _digest(form.cleaned_data["contents"], after=after)
    return "keep" in request.POST and form.cleaned_data["seen"] == seen


def _answer_contents(
    request: LearnerRequest,
    template: str,
    *,
    form: ContentsForm,
    preview: Preview | None,
    context: dict[str, Any],
    after: int = 0,
) -> HttpResponse:
    if form.errors:
        return render(request, template, {"form": form, "preview": None, **context}, status=422)
    seen = _digest(form.cleaned_data["contents"], after=after) if preview else ""
    changed = preview is not None and "keep" in request.POST
    return render(request, template, {"form": form, "preview": preview, "seen": seen, "changed": changed, **context})


def preview_of(contents: Contents) -> Preview:
    chapters: list[tuple[str, list[ContentsLine]]] = []
    units = [line for line in contents.lines if line.kind == "unit"]
    for line in units:
        if not chapters or chapters[-1][0] != line.chapter:
            chapters.append((line.chapter, []))
        chapters[-1][1].append(line)
    doubts = [
        (line.line_number, f"Line {line.line_number}, “{line.title}”: {line.doubt}")
        for line in contents.lines
        if line.doubt
    ]
    doubts += [(warning.line_number, warning.text) for warning in contents.warnings]
    doubts.sort()
    return Preview(
        chapters=chapters,
        count=len(units),
        doubts=doubts[:MOST_DOUBTS],
        count_more=max(0, len(doubts) - MOST_DOUBTS),
        skipped=sum(line.kind == "skipped" for line in contents.lines),
    )


def outlines(contents: Contents) -> list[UnitOutline]:
    units = [line for line in contents.lines if line.kind == "unit"]
    return [
        UnitOutline(position=number, title=line.title, chapter=line.chapter, page=line.page)
        for number, line in enumerate(units, start=1)
    ]


@require_http_methods(["GET", "HEAD", "POST"])
def book_edit(request: LearnerRequest, pk: UUID) -> HttpResponse:
    found = get_book(request.user, pk)
    title = found.title
    form = BookForm(request.POST if request.method == "POST" else None, initial={"title": title})
    if request.method == "POST" and form.is_valid():
        try:
            services.change_book(found, title=form.cleaned_data["title"])
            return redirect("curriculum:book", found.pk)
        except ValidationError as error:
            add_errors(form, error)
    context = {"form": form, "book": found, "title": title}
    return render(request, "curriculum/book_edit.html", context, status=422 if form.is_bound else 200)


@require_http_methods(["GET", "HEAD", "POST"])
def book_delete(request: LearnerRequest, pk: UUID) -> HttpResponse:
    found = get_book(request.user, pk)
    if request.method == "POST":
        services.delete_book(found)
        messages.success(request, f"{found.title} is deleted. What you have shown stays.")
        return redirect("curriculum:book-list")
    return render(request, "curriculum/book_delete.html", {"book": found, "count": found.units.count()})


@require_http_methods(["GET", "HEAD", "POST"])
def book_import(request: LearnerRequest) -> HttpResponse:
    """A file is read and shown; it comes back in the form, and only then is anything written."""
    if request.method == "POST" and "documents" in request.POST:
        return _keep_import(request)
    form = BookFileForm(request.POST, request.FILES) if request.method == "POST" else BookFileForm()
    if request.method == "POST" and form.is_valid():
        file = form.cleaned_data["file"]
        try:
            reading = services.read_book_file(file.read(), name=file.name)
        except OutlineError as error:
            form.add_error("file", str(error))
        else:
            if len(_documents(reading.books)) <= LONGEST_DOCUMENTS:
                same = Book.objects.filter(learner=request.user, title=reading.books[0].title).first()
                into = same if len(reading.books) == 1 else None
                return _show_import(request, reading.books, doubts=reading.doubts, into=into)
            form.add_error("file", "These are too many units to be looked at in a page. Save them as several files.")
    return render(request, "curriculum/book_import.html", {"form": form}, status=422 if form.is_bound else 200)


def _documents(books: Sequence[BookOutline]) -> str:
    return json.dumps([write_json(book) for book in books])


def _show_import(
    request: LearnerRequest,
    books: Sequence[BookOutline],
    *,
    doubts: Sequence[str] = (),
    error: str = "",
    leave_out: bool = False,
    into: Book | None = None,
    changed: bool = False,
) -> HttpResponse:
    named = {slug for book in books for unit in book.units for slug in (*unit.teaches, *unit.needs)}
    described = {skill.slug for book in books for skill in book.skills}
    unknown = sorted(named - described - set(skills_by_slug(request.user, sorted(named))))
    offer = offer_of(request.user, books[0], into=into, choices=choices_of(request.POST)) if len(books) == 1 else None
    return render(
        request,
        "curriculum/book_import_preview.html",
        {
            "books": books,
            "count": sum(len(book.units) for book in books),
            "documents": _documents(books),
            "doubts": doubts,
            "unknown": unknown,
            "leave_out": leave_out,
            "error": error,
            "offer": offer,
            "changed": changed,
        },
        status=422 if error else 200,
    )


def _keep_import(request: LearnerRequest) -> HttpResponse:
    try:
        documents = json.loads(request.POST["documents"])
        books = [read_json(str(text)) for text in documents]
    except (ValueError, TypeError, RecursionError, OutlineError):
        messages.error(request, "What came back from the preview could not be read. Choose the file again.")
        return redirect("curriculum:book-import")
    leave_out = "leave_out" in request.POST
    titles = [one_line(request.POST.get(f"title-{number}", "")) for number, _ in enumerate(books, start=1)]
    longest = max(titles, key=len, default="")
    if len(longest) > LONGEST_TITLE:
        fault = f"The title “{longest[:30]}…” has {len(longest)} characters; at most {LONGEST_TITLE} fit."
        return _show_import(request, books, error=fault, leave_out=leave_out)
    books = [replace(book, title=title or book.title) for book, title in zip(books, titles, strict=True)]
    into = target_of(request.user, request.POST.get("into", "")) if len(books) == 1 else None
    try:
        if len(books) == 1:
            offer = offer_of(request.user, books[0], into=into, choices=choices_of(request.POST))
            is_seen = request.POST.get("seen", "") == offer.seen or not (offer.rows or into)
            if "look" in request.POST or "theirs" in request.POST or not is_seen:
                changed = "look" not in request.POST and "theirs" not in request.POST
                return _show_import(request, books, leave_out=leave_out, into=into, changed=changed)
            rows = [
                services.import_outline(
                    request.user, books[0], into=into, choices=offer.choices, leave_out=leave_out or bool(into)
                )
            ]
        else:
            rows = services.import_outlines(request.user, books, leave_out=leave_out)
    except ValidationError as error:
        return _show_import(request, books, error=" ".join(error.messages), leave_out=leave_out, into=into)
    messages.success(request, f"Imported: {', '.join(row.title for row in rows)}.")
    return redirect("curriculum:book", rows[0].pk) if len(rows) == 1 else redirect("curriculum:book-list")


@require_safe
def book_export_csv(request: LearnerRequest, pk: UUID) -> HttpResponse:
    found = get_book(request.user, pk)
    return _file(found, write_table(services.outline_of(found)), ending="csv", kind="text/csv; charset=utf-8")


@require_safe
def book_export_json(request: LearnerRequest, pk: UUID) -> HttpResponse:
    found = get_book(request.user, pk)
    outline = services.outline_of(found)
    if "share" in request.GET:
        outline = shareable(outline)
    return _file(found, write_json(outline), ending="json", kind="application/json")


def _file(found: Book, text: str, *, ending: str, kind: str) -> HttpResponse:
    name = re.sub(r"[^\w .,()-]+", " ", found.title).strip()[:80] or "book"
    disposition = content_disposition_header(True, f"{name}.{ending}")
    return HttpResponse(text.encode(), content_type=kind, headers={"Content-Disposition": disposition or "attachment"})
