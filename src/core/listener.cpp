#include "pipebeat/listener.hpp"

#include <cmath>

namespace pipebeat {

struct Listener::State {
  Engine engine;
  Hertz sample_rate;
  ListenerOptions options;
  std::int64_t frames = 0;
};

Listener::Listener(std::unique_ptr<State> state) : state_{std::move(state)} {}
Listener::Listener(Listener&&) noexcept = default;
Listener& Listener::operator=(Listener&&) noexcept = default;
Listener::~Listener() = default;

Result<Listener> Listener::create(const Engine& engine, Hertz sample_rate,
                                  const ListenerOptions& options) {
  if (!(sample_rate.value() >= 4000.0 && sample_rate.value() <= 400'000.0)) {
    return fail(ErrorCode::bad_argument, "the sample rate is outside 4 to 400 kHz",
                "record at 44.1 or 48 kHz");
  }
  if (options.speed_guess && !(options.speed_guess->value() > 0.0)) {
    return fail(ErrorCode::bad_argument, "the speed guess is not a positive number",
                "give revolutions per minute, for example --rpm 700");
  }
  return Listener{std::make_unique<State>(State{engine, sample_rate, options})};
}

void Listener::push(std::span<const float> samples) {
  state_->frames += static_cast<std::int64_t>(samples.size());
}

Finding Listener::finding() const {
  Finding f;
  f.duration = Seconds{static_cast<double>(state_->frames) / state_->sample_rate.value()};
  f.sample_rate_hz = state_->sample_rate.value();
  f.reasons.push_back({ReasonCode::no_engine_heard});
  return f;
}

Finding Listener::recent(Seconds) const { return finding(); }

std::optional<KnownGood> Listener::as_known_good() const { return std::nullopt; }

}  // namespace pipebeat
