from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("prospecting", "0006_value_in_use")]

    operations = [
        migrations.AddConstraint(
            model_name='sample',
            constraint=models.CheckConstraint(condition=models.Q(models.Q(('in_use_g_per_t__isnull', True), ('in_use_limit_g_per_t__isnull', True), ('in_use_symbol', ''), ('reading_in_use__isnull', True)), models.Q(('in_use_g_per_t__gte', 0), ('in_use_limit_g_per_t__isnull', True), ('in_use_symbol', 'value'), ('reading_in_use__isnull', False)), models.Q(('in_use_g_per_t__isnull', True), ('in_use_limit_g_per_t__gt', 0), ('in_use_symbol__in', ['below', 'above']), ('reading_in_use__isnull', False)), _connector='OR'), name='sample_value_or_limit'),
        ),
    ]
