"""Addresses of the review."""

from django.urls import path

from reviews.views import findings, fingers, judging

app_name = "reviews"

urlpatterns = [
    path("judge/", judging.judge, name="judge"),
    path("lessons/<uuid:pk>/review/", judging.lesson, name="lesson"),
    path("lessons/<uuid:pk>/last/", judging.last, name="last"),
    path("lessons/<uuid:pk>/summary/", judging.summary, name="summary"),
    path("takes/<uuid:pk>/findings/", findings.findings, name="findings"),
    path("takes/<uuid:pk>/findings/hear/", findings.hear, name="findings-hear"),
    path("takes/<uuid:pk>/rhythm/", findings.rhythm, name="take-rhythm"),
    path("takes/<uuid:pk>/finger-take/<slug:hand>/", fingers.finger_take, name="finger-take"),
    path("finger-take/<slug:hand>/", fingers.finger_take_set, name="finger-take-set"),
    path("takes/<uuid:pk>/looks/<slug:dimension>/", judging.look, name="look"),
    path("takes/<uuid:pk>/looks/<slug:dimension>/pin/", judging.note_pin, name="note-pin"),
    path("notes/<uuid:pk>/unpin/", judging.note_unpin, name="note-unpin"),
    path("assignments/<uuid:pk>/skills/", judging.skills, name="skills"),
    path("assignments/<uuid:pk>/side-by-side/", judging.side_by_side, name="side-by-side"),
    path("assignments/<uuid:pk>/verdict/", judging.verdict, name="verdict"),
]
