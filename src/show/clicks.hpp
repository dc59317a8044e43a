// Injector clicks: findings in, characters out.
#pragma once

#include <span>
#include <string>

#include "pipebeat/clicks.hpp"
#include "show/text.hpp"

namespace pipebeat::show {

/// One JSON object on one line, schema pipebeat.clicks/1.
[[nodiscard]] std::string clicks_to_json(std::span<const InjectorFinding> injectors);
/// Several lines: the answer, a line an injector, what next, cautions.
[[nodiscard]] std::string clicks_to_text(std::span<const InjectorFinding> injectors,
                                         const TextOptions& options = {});

}  // namespace pipebeat::show
