-- unknown_model: an install's model must stand in appliance_models.csv.
-- reads: seen_installs, current_models.   key: row.   does: set aside.
select row, 'model_id' as cell, model_id as written, 'there is no such model in appliance_models.csv' as told
from seen_installs
where model_id is not null
  and model_id not in (select model_id from current_models)
