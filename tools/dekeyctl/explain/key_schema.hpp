// The JSON Schema (draft 7) of the configuration, for editors: made from the rows of the keys. It refuses nothing that
// `dekeyctl check` takes; what relates several keys, check alone knows.
#pragma once

#include <nlohmann/json.hpp>

namespace dekeyd::ctl {

nlohmann::ordered_json configuration_schema();

}  // namespace dekeyd::ctl
