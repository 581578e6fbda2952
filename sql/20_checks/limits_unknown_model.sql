-- unknown_model: a range holds for a model that stands in appliance_models.csv.
-- reads: seen_limits, current_models.   key: row.   does: set aside.
select row, 'model_id' as cell, model_id as written, 'there is no such model in appliance_models.csv' as told
from seen_limits
where model_id is not null
  and model_id not in (select model_id from current_models)
