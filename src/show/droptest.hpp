// The drop test and the location: findings in, characters out.
#pragma once

#include <string>
#include <string_view>

#include "pipebeat/droptest.hpp"
#include "show/text.hpp"

namespace pipebeat::show {

/// One JSON object on one line, schema pipebeat.droptest/1.
[[nodiscard]] std::string to_json(const DropTest& test);
/// Several lines: cautions first, then the answer, one bar a cylinder, reasons, what next.
[[nodiscard]] std::string to_text(const DropTest& test, const TextOptions& options = {});

/// One JSON object on one line, schema pipebeat.locate/1.
[[nodiscard]] std::string to_json(const Location& location);
/// Several lines: cautions first, then the answer, candidates, reasons, what next.
[[nodiscard]] std::string to_text(const Location& location, const TextOptions& options = {});

/// The caution that comes before anybody unplugs a cylinder.
[[nodiscard]] std::string_view unplugging_caution();

}  // namespace pipebeat::show
