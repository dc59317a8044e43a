// Same sound: one recording, or a copy of it, given where two were meant.
#pragma once

#include "pipebeat/listener.hpp"

namespace pipebeat::core {

/// True when both hold the same cycles of the same running engine, at any gain, filtered, cut or
/// written in another format. How a cycle differs from the one after it never comes twice. False
/// where fewer than some 30 cycles are there to tell.
[[nodiscard]] bool same_sound(const HeardCycles& one, const HeardCycles& other);

}  // namespace pipebeat::core
