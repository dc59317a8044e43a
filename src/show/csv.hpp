// The event list as CSV (RFC 4180), for spreadsheets and scripts.
#pragma once

#include <string>

#include "show/report.hpp"

namespace pipebeat::show {

/// A header line, "time_s,cycle,position,level,missing_probability", then one line for every event
/// of the finding, in time order. Seconds with four decimals; cycle from 0, position from 1.
/// An unclear finding judges no event: the last field stays empty.
[[nodiscard]] std::string to_csv(const Report& report);

}  // namespace pipebeat::show
