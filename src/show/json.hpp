// Finding to JSON, schema pipebeat.check/1.
#pragma once

#include <string>

#include "show/report.hpp"

namespace pipebeat::show {

/// One JSON object on one line, without the line feed. Numbers that can't be given, or that aren't
/// finite, are null; bytes of a file name that aren't UTF-8 become U+FFFD.
[[nodiscard]] std::string to_json(const Report& report);

/// The same object for a take while it is made: with "running", and under "recent" the same keys
/// for the last seconds. While a change is news, `change_ago_s` old, also "change":{"ago_s":1.2,
/// "pulse":"lost"} ("back" where a missing one came back).
[[nodiscard]] std::string to_live_json(const Report& whole, const Finding& recent, bool running,
                                       const std::optional<PulseChange>& change = {},
                                       double change_ago_s = 0.0);

}  // namespace pipebeat::show
