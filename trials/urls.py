"""Addresses of trials and runs, and of the pages that need both sides: a lot or a zone with its runs, and today."""

from django.urls import path

from trials.views import additives, home, lots, planning, runs, verdicts, zones

urlpatterns = [
    path("", home.home, name="home"),
    path("lots/<code:code>/", lots.lot_detail, name="lot-detail"),
    path("lots/<code:code>/pan/", runs.run_add, name="run-add"),
    path("zones/<int:pk>/", zones.zone_detail, name="zone-detail"),
    path("additives/", additives.additive_list, name="additive-list"),
    path("additives/add/", additives.additive_add, name="additive-add"),
    path("additives/<int:pk>/edit/", additives.additive_edit, name="additive-edit"),
    path("trials/", planning.trial_list, name="trial-list"),
    path("trials/add/", planning.trial_add, name="trial-add"),
    path("trials/<int:pk>/", planning.trial_detail, name="trial-detail"),
    path("trials/<int:pk>/edit/", planning.trial_edit, name="trial-edit"),
    path("trials/<int:pk>/treatments/add/", planning.treatment_add, name="treatment-add"),
    path("treatments/<int:pk>/edit/", planning.treatment_edit, name="treatment-edit"),
    path("treatments/<int:pk>/remove/", planning.treatment_remove, name="treatment-remove"),
    path("trials/<int:pk>/plan/", planning.trial_plan, name="trial-plan"),
    path("trials/<int:pk>/run-sheet/", planning.run_sheet, name="run-sheet"),
    path("trials/<int:pk>/mixing-sheet/", planning.mixing_sheet, name="mixing-sheet"),
    path("trials/<int:pk>/close/", planning.trial_close, name="trial-close"),
    path("trials/<int:pk>/next/", runs.run_next, name="run-next"),
    path("trials/<int:pk>/runs/<code:blind_code>/", runs.run_log, name="run-log"),
    path("blocks/<int:pk>/close/", runs.block_close, name="block-close"),
    path("trials/<int:pk>/verdict/", verdicts.trial_verdict, name="trial-verdict"),
    path("pans/", runs.run_list, name="run-list"),
    path("pans/<int:pk>/", runs.run_detail, name="run-detail"),
    path("pans/<int:pk>/keep/", runs.run_keep, name="run-keep"),
    path("pans/<int:pk>/correct/", runs.run_correct, name="run-correct"),
    path("pans/<int:pk>/void/", runs.run_void, name="run-void"),
]
