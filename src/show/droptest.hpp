// The drop test and the location: findings in, characters out.
#pragma once

#include <optional>
#include <string>
#include <string_view>

#include "pipebeat/droptest.hpp"
#include "show/text.hpp"

namespace pipebeat::show {

/// A firing order that nobody stated: an answer that rests on it holds only if the engine fires so.
struct AssumedOrder {
  std::string order;   ///< "1-3-4-2"
  std::string source;  ///< where it was taken from: "that of inline4"
};

/// The assumption as a sentence without its full stop.
[[nodiscard]] std::string sentence(const AssumedOrder& assumed);

/// One JSON object on one line, schema pipebeat.droptest/1. An order that was assumed goes with the reasons.
[[nodiscard]] std::string to_json(const DropTest& test, const std::optional<AssumedOrder>& assumed = {});
/// Several lines: cautions first, then the answer, one bar a cylinder, reasons, what next.
[[nodiscard]] std::string to_text(const DropTest& test, const TextOptions& options = {},
                                  const std::optional<AssumedOrder>& assumed = {});

/// One JSON object on one line, schema pipebeat.locate/1.
[[nodiscard]] std::string to_json(const Location& location, const std::optional<AssumedOrder>& assumed = {});
/// Several lines: cautions first, then the answer, with the firing order that it rests on where nobody stated
/// one, candidates, reasons, what next.
[[nodiscard]] std::string to_text(const Location& location, const TextOptions& options = {},
                                  const std::optional<AssumedOrder>& assumed = {});

/// The caution that comes before anybody unplugs a cylinder.
[[nodiscard]] std::string_view unplugging_caution();

}  // namespace pipebeat::show
