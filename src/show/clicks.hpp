// Injector clicks: findings in, characters out.
#pragma once

#include <span>
#include <string>
#include <string_view>

#include "pipebeat/clicks.hpp"
#include "show/text.hpp"

namespace pipebeat::show {

/// One JSON object on one line, schema pipebeat.clicks/1.
[[nodiscard]] std::string clicks_to_json(std::span<const InjectorFinding> injectors);
/// Several lines: the answer, a line an injector, cautions, what next.
[[nodiscard]] std::string clicks_to_text(std::span<const InjectorFinding> injectors,
                                         const TextOptions& options = {});

/// The caution that comes before anybody holds a probe to a running engine.
[[nodiscard]] std::string_view probing_caution();

}  // namespace pipebeat::show
