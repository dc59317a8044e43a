#include "pipebeat/finding.hpp"

namespace pipebeat {

std::string_view to_string(Verdict v) {
  switch (v) {
    case Verdict::dead_miss: return "dead_miss";
    case Verdict::intermittent_miss: return "intermittent_miss";
    case Verdict::random_miss: return "random_miss";
    case Verdict::weak_cylinder: return "weak_cylinder";
    case Verdict::rough_no_miss: return "rough_no_miss";
    case Verdict::even: return "even";
    case Verdict::unclear: return "unclear";
  }
  return "unclear";
}

std::string_view to_string(ReasonCode code) {
  switch (code) {
    case ReasonCode::no_engine_heard: return "no_engine_heard";
    case ReasonCode::too_short: return "too_short";
    case ReasonCode::speed_not_found: return "speed_not_found";
    case ReasonCode::speed_ambiguous: return "speed_ambiguous";
    case ReasonCode::clipped: return "clipped";
    case ReasonCode::too_noisy: return "too_noisy";
    case ReasonCode::layout_needed: return "layout_needed";
    case ReasonCode::empty_position: return "empty_position";
    case ReasonCode::silent_pair: return "silent_pair";
    case ReasonCode::cylinders_switched_off: return "cylinders_switched_off";
    case ReasonCode::misses_at_position: return "misses_at_position";
    case ReasonCode::misses_spread: return "misses_spread";
    case ReasonCode::low_position: return "low_position";
    case ReasonCode::levels_wander: return "levels_wander";
    case ReasonCode::levels_agree: return "levels_agree";
    case ReasonCode::no_miss_in: return "no_miss_in";
    case ReasonCode::thin_evidence: return "thin_evidence";
    case ReasonCode::speed_moved: return "speed_moved";
    case ReasonCode::stretches_masked: return "stretches_masked";
    case ReasonCode::low_frequencies_missing: return "low_frequencies_missing";
    case ReasonCode::gain_pumping: return "gain_pumping";
    case ReasonCode::mains_hum: return "mains_hum";
    case ReasonCode::wind: return "wind";
    case ReasonCode::miss_in_part: return "miss_in_part";
    case ReasonCode::known_good_used: return "known_good_used";
    case ReasonCode::guess_doubted: return "guess_doubted";
    case ReasonCode::count_doubted: return "count_doubted";
    case ReasonCode::silence: return "silence";
  }
  return "unclear";
}

}  // namespace pipebeat
