// What the JSON writers share; only for src/show's own files.
#pragma once

#include <nlohmann/json.hpp>
#include <optional>
#include <string>

#include "pipebeat/finding.hpp"
#include "show/report.hpp"

namespace pipebeat::show {

using Json = nlohmann::ordered_json;

/// A number with that many decimals; null when it is not finite or not given.
Json number(double value, int decimals);
Json number(const std::optional<double>& value, int decimals);
/// [low, high], or null.
Json interval(const Interval& i, int decimals);
Json interval(const std::optional<Interval>& i, int decimals);

/// The object of schema pipebeat.check/1.
Json check_object(const Report& report);

/// On one line; bytes that aren't UTF-8 become U+FFFD.
std::string dump(const Json& json);

}  // namespace pipebeat::show
