"""Addresses of the review."""

from django.urls import path

from reviews import views

app_name = "reviews"

urlpatterns = [
    path("judge/", views.judge, name="judge"),
    path("lessons/<uuid:pk>/review/", views.lesson, name="lesson"),
    path("lessons/<uuid:pk>/last/", views.last, name="last"),
    path("lessons/<uuid:pk>/summary/", views.summary, name="summary"),
    path("takes/<uuid:pk>/looks/<slug:dimension>/", views.look, name="look"),
    path("takes/<uuid:pk>/looks/<slug:dimension>/pin/", views.note_pin, name="note-pin"),
    path("notes/<uuid:pk>/unpin/", views.note_unpin, name="note-unpin"),
    path("assignments/<uuid:pk>/skills/", views.skills, name="skills"),
    path("assignments/<uuid:pk>/side-by-side/", views.side_by_side, name="side-by-side"),
    path("assignments/<uuid:pk>/verdict/", views.verdict, name="verdict"),
]
