// The drop test and the location: findings in, characters out.
#pragma once

#include <string>
#include <string_view>

#include "pipebeat/droptest.hpp"
#include "show/text.hpp"

namespace pipebeat::show {

/// One JSON object on one line, schema pipebeat.droptest/1. `remark` is a sentence without its full stop
/// that goes with the reasons (which firing order was assumed); empty: none.
[[nodiscard]] std::string to_json(const DropTest& test, std::string_view remark = {});
/// Several lines: cautions first, then the answer, one bar a cylinder, reasons, what next.
[[nodiscard]] std::string to_text(const DropTest& test, const TextOptions& options = {},
                                  std::string_view remark = {});

/// One JSON object on one line, schema pipebeat.locate/1.
[[nodiscard]] std::string to_json(const Location& location, std::string_view remark = {});
/// Several lines: cautions first, then the answer, candidates, reasons, what next.
[[nodiscard]] std::string to_text(const Location& location, const TextOptions& options = {},
                                  std::string_view remark = {});

/// The caution that comes before anybody unplugs a cylinder.
[[nodiscard]] std::string_view unplugging_caution();

}  // namespace pipebeat::show
