from operator import attrgetter

import django_tables2 as tables

from prospecting.calc.number_words import numeral
from prospecting.tables.base import FileColumn, ListTable, empty_last
from trials.models import Additive


class AdditiveTable(ListTable):
    name = tables.Column(verbose_name="Additive", linkify=True)
    kind = tables.Column(verbose_name="Kind")
    bottle_typed = tables.Column(verbose_name="Bottle", orderable=False)
    price = tables.Column(verbose_name="Price")

    order_price = empty_last("price")

    class Meta:
        model = Additive
        fields = ("name", "kind", "bottle_typed", "price")
        empty_text = "No additive yet. Add the products you want to try."

    def render_price(self, record: Additive) -> str:
        dated = f" ({record.priced_on:%d %b %Y})" if record.priced_on else ""
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
