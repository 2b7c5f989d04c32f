"""Addresses of the week, practice, filming and clips."""

from django.urls import path

from lessons.views import clips, film, practice, uploads, week

app_name = "lessons"
urlpatterns = [
    path("week/", week.week, name="week"),
    path("week/propose/", week.week_propose, name="week-propose"),
    path("lessons/", week.week_list, name="week-list"),
    path("lessons/<uuid:pk>/", week.lesson, name="lesson"),
    path("lessons/<uuid:pk>/lines/new/", week.line_new, name="line-new"),
    path("lessons/<uuid:pk>/clips/upload/", film.clip_upload, name="clip-upload"),
    path("lessons/<uuid:pk>/uploads/", uploads.upload_new, name="clip-upload-begin"),
    path("uploads/", uploads.upload_list, name="clip-uploads"),
    path("uploads/<uuid:pk>/", uploads.upload, name="clip-upload-resource"),
    path("uploads/<uuid:pk>/compare/", uploads.upload_compare, name="clip-upload-compare"),
    path("uploads/<uuid:pk>/keep/", uploads.upload_keep, name="clip-upload-keep"),
    path("uploads/<uuid:pk>/give-up/", uploads.upload_give_up, name="clip-upload-give-up"),
    path("assignments/<uuid:pk>/", practice.assignment, name="assignment"),
    path("assignments/<uuid:pk>/edit/", week.line_edit, name="line-edit"),
    path("assignments/<uuid:pk>/move/", week.line_move, name="line-move"),
    path("assignments/<uuid:pk>/remove/", week.line_remove, name="line-remove"),
    path("assignments/<uuid:pk>/first-try/", practice.first_try, name="first-try"),
    path("assignments/<uuid:pk>/tries/new/", practice.try_new, name="try-new"),
    path("tries/<uuid:pk>/delete/", practice.try_delete, name="try-delete"),
    path("film/", film.film, name="film"),
    path("clips/<uuid:pk>/", clips.clip, name="clip"),
    path("clips/<uuid:pk>/copy/", clips.clip_copy, name="clip-copy"),
    path("clips/<uuid:pk>/poster/", clips.clip_poster, name="clip-poster"),
    path("clips/<uuid:pk>/original/", clips.clip_original, name="clip-original"),
    path("clips/<uuid:pk>/retry/", clips.clip_retry, name="clip-retry"),
    path("clips/<uuid:pk>/delete/", clips.clip_delete, name="clip-delete"),
    path("clips/<uuid:pk>/takes/new/", clips.take_new, name="take-new"),
    path("takes/<uuid:pk>/edit/", clips.take_edit, name="take-edit"),
    path("takes/<uuid:pk>/judge/", clips.take_judge, name="take-judge"),
    path("takes/<uuid:pk>/delete/", clips.take_delete, name="take-delete"),
]
