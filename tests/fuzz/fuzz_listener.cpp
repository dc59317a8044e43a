// Samples of any value at any rate through the listener, and its finding through every output.
#include <algorithm>
#include <array>
#include <cmath>
#include <cstring>
#include <limits>
#include <vector>

#include "core/microphone_check.hpp"
#include "fuzz.hpp"
#include "pipebeat/listener.hpp"
#include "show/csv.hpp"
#include "show/html.hpp"
#include "show/json.hpp"
#include "show/text.hpp"

using namespace pipebeat;

namespace {

constexpr std::array rates{4000.0, 4000.5, 8000.0, 11'025.0, 16'000.0, 48'000.0, 400'000.0, 1.0, 1e7,
                           std::numeric_limits<double>::quiet_NaN()};

/// Floats as they are, or signed bytes: a longer sound from the same input.
std::vector<float> samples_from(std::string_view bytes, bool raw) {
  std::vector<float> samples;
  if (raw) {
    samples.resize(bytes.size() / sizeof(float));
    std::memcpy(samples.data(), bytes.data(), samples.size() * sizeof(float));
  } else {
    for (char c : bytes) samples.push_back(static_cast<float>(static_cast<signed char>(c)) / 127.0F);
  }
  return samples;
}

bool in(double value, double low, double high) { return value >= low && value <= high; }

void check_finding(const Engine& engine, const Finding& f) {
  if (f.confidence) fuzz::check(in(*f.confidence, 0.0, 1.0), "a confidence is a probability");
  if (f.miss_probability) fuzz::check(in(*f.miss_probability, 0.0, 1.0), "miss_probability is one");
  if (f.missing_event_ratio) {
    const double ratio = *f.missing_event_ratio;
    fuzz::check(in(ratio, 0.0, 1.0), "a ratio is from 0 to 1");
    fuzz::check(f.missing_event_ratio_interval && in(ratio, f.missing_event_ratio_interval->low - 1e-9,
                                                     f.missing_event_ratio_interval->high + 1e-9),
                "a ratio lies in its interval");
  }
  fuzz::check(f.verdict != Verdict::unclear || !f.reasons.empty(), "unclear has a reason");
  for (const Event& e : f.events) {
    fuzz::check(e.position >= 1 && static_cast<std::size_t>(e.position) <= engine.positions().size(),
                "an event has a position");
  }
  const show::Report report{"fuzz", engine, f};
  fuzz::check(show::to_json(report).find("schema") != std::string::npos, "the finding is written");
  static_cast<void>(show::to_csv(report));
  static_cast<void>(show::to_html(report));
  static_cast<void>(show::to_text(report, {}));
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  fuzz::Input input{data, size};
  const Hertz rate{rates[input.byte() % rates.size()]};
  const auto layouts = builtin_engines();
  const auto engine = Engine::make(layouts[input.byte() % layouts.size()].spec);
  fuzz::check(engine.has_value(), "every built-in layout is valid");
  const std::uint8_t how = input.byte();
  const std::size_t block = std::size_t{1} << (how % 16U);
  ListenerOptions options;
  if ((how & 0x40U) != 0) options.speed_guess = Rpm{100.0 * input.byte()};
  auto listener = Listener::create(*engine, rate, options);
  if (!listener) return 0;
  core::MicrophoneCheck check{rate};
  const std::vector<float> samples = samples_from(input.rest(), (how & 0x80U) != 0);
  const std::span<const float> all{samples};
  for (std::size_t at = 0; at < all.size(); at += block) {
    const auto part = all.subspan(at, std::min(block, all.size() - at));
    listener->push(part);
    check.push(part);
  }
  check_finding(*engine, listener->finding());
  if ((how & 0x20U) != 0) {
    check_finding(*engine, listener->recent(Seconds{5.0}));
    static_cast<void>(listener->as_known_good());
  }
  static_cast<void>(check.remarks());
  return 0;
}
