import django_tables2 as tables

from prospecting.tables.base import ListTable
from trials.models import Additive


class AdditiveTable(ListTable):
    name = tables.Column(verbose_name="Additive", linkify=True)
    kind = tables.Column(verbose_name="Kind")
    bottle_typed = tables.Column(verbose_name="Bottle", orderable=False)
    price = tables.Column(verbose_name="Price")

    class Meta:
        model = Additive
        fields = ("name", "kind", "bottle_typed", "price")
        empty_text = "No additive yet. Add the products you want to try."

    def render_price(self, record: Additive) -> str:
        dated = f" ({record.priced_on:%d %b %Y})" if record.priced_on else ""
        return f"{record.price} {record.currency}{dated}"
