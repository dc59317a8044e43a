// Finding to JSON, schema pipebeat.check/1.
#pragma once

#include <string>

#include "show/report.hpp"

namespace pipebeat::show {

/// One JSON object on one line, without the line feed. Numbers that can't be given, or that aren't
/// finite, are null; bytes of a file name that aren't UTF-8 become U+FFFD.
[[nodiscard]] std::string to_json(const Report& report);

}  // namespace pipebeat::show
