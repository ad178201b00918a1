from operator import attrgetter

import django_tables2 as tables
from django.utils import dateformat
from django.utils.translation import gettext_lazy

from prospecting.calc.number_words import numeral
from prospecting.tables.base import FileColumn, ListTable, empty_last
from trials.models import Additive


class AdditiveTable(ListTable):
    name = tables.Column(verbose_name=gettext_lazy("Additive"), linkify=True)
    kind = tables.Column(verbose_name=gettext_lazy("Kind"))
    bottle_typed = tables.Column(verbose_name=gettext_lazy("Bottle"), orderable=False)
    price = tables.Column(verbose_name=gettext_lazy("Price"))

    order_price = empty_last("price")

    class Meta:
        model = Additive
        fields = ("name", "kind", "bottle_typed", "price")
        empty_text = gettext_lazy("No additive yet. Add the products you want to try.")

    def render_price(self, record: Additive) -> str:
        dated = f" ({dateformat.format(record.priced_on, 'd M Y')})" if record.priced_on else ""
        return f"{numeral(record.price)} {record.currency}{dated}"

    def file_columns(self) -> list[FileColumn]:
        return [
            ("Additive", attrgetter("name")),
            ("Kind", Additive.get_kind_display),
            ("Bottle (mL)", attrgetter("bottle_ml")),
            ("Bottle as typed", attrgetter("bottle_typed")),
            ("Price of a bottle", attrgetter("price")),
            ("Currency", attrgetter("currency")),
            ("Day of the price", attrgetter("priced_on")),
        ]
