from django.apps import AppConfig


class ReviewConfig(AppConfig):
    name = "programme.review"
    label = "review"
