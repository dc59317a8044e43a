#include <algorithm>
#include <array>
#include <cmath>
#include <map>
#include <numbers>
#include <optional>

#include "core/beat_lines.hpp"
#include "core/gaps.hpp"
#include "core/statistics.hpp"
#include "pipebeat/droptest.hpp"

namespace pipebeat {

namespace {

constexpr int fewest_cycles = 6;
constexpr double largest_jump = 1.4;     // of the speed at an unplugging
constexpr double longest_break_s = 1.5;  // without a beat; beyond, the phase may have slipped
constexpr double none_prior = 0.15;
constexpr double none_prior_apart = 0.03;  // never heard with all plugged in: trust who unplugs
constexpr double same_prior = 0.05;  // the unplugged one was not known-good after all
constexpr double named = 0.7;        // probability from which a cylinder is named
constexpr double candidate = 0.05;

/// Shares of its events that the bad cylinder may miss, with their prior. Fewer than half can't be told
/// from a narrow pipe by mean levels.
struct Severity {
  double missing;
  double prior;
};
constexpr std::array<Severity, 3> severities{{{1.0, 0.7}, {0.75, 0.15}, {0.5, 0.15}}};

/// A stretch of one take as levels.
struct Stretch {
  int unplugged = 0;
  core::LevelRow row;
  double first_s = 0.0;
  double last_s = 0.0;
  int cycles = 0;
};

/// Stretches whose positions are numbered alike.
struct Piece {
  std::vector<int> unplugged;
  std::vector<core::LevelRow> rows;
  std::vector<StretchLines> lines;  ///< of every stretch, or of none
  std::vector<std::size_t> take;    ///< of every stretch
  bool triggered = false;
  bool every_turn = false;

  /// Lines tell more than levels, but only by what changes.
  [[nodiscard]] bool by_lines() const { return lines.size() >= 2 && lines.size() == unplugged.size(); }
};

std::vector<Stretch> stretches_of(const LocateTake& take, std::size_t positions) {
  std::vector<Stretch> out;
  const std::vector<core::MarkedTime> times = core::marked_times(take.marks);
  for (const core::MarkedTime& m : times) {
    std::vector<Event> events;
    int cycles = 0;
    std::int32_t last = -1;
    for (const Event& e : take.finding.events) {
      if (e.time_s < m.from_s || e.time_s > m.to_s) continue;
      events.push_back(e);
      cycles += e.cycle != last ? 1 : 0;
      last = e.cycle;
    }
    Stretch s;
    s.unplugged = m.unplugged;
    s.cycles = cycles;
    if (cycles >= fewest_cycles) {
      // Stretches of one take share the listener's unit.
      s.row = core::level_row(events, positions, times.size() < 2);
      s.first_s = events.front().time_s;
      s.last_s = events.back().time_s;
    }
    out.push_back(std::move(s));
  }
  return out;
}

/// True when the beat can be followed from one time to another without a long break or a seam: where a
/// long recording is heard in pieces, the cycles between two pieces are not counted.
bool phase_kept(const Finding& finding, std::size_t positions, double from_s, double to_s) {
  constexpr double miscounted = 0.4;  // cycles
  const std::vector<Event>& events = finding.events;
  for (std::size_t i = positions + 1; i < events.size(); ++i) {
    const Event& e = events[i];
    const Event& last = events[i - 1];
    if (last.time_s < from_s || e.time_s > to_s) continue;
    const double pause = e.time_s - last.time_s;
    if (e.cycle < last.cycle || pause > longest_break_s) return false;
    const Event& cycle_before = events[i - 1 - positions];
    const double length = last.time_s - cycle_before.time_s;
    const int slots = (e.cycle - last.cycle) * static_cast<int>(positions) + e.position - last.position;
    if (slots <= 1 || cycle_before.position != last.position || length <= 0.0) continue;
    if (std::abs(pause / length - static_cast<double>(slots) / static_cast<double>(positions)) > miscounted) return false;
  }
  return true;
}

struct Hypothesis {
  int dead = 0;
  double missing = 0.0;
  double log_weight = 0.0;
};

bool contains(const std::vector<int>& list, int x) { return std::find(list.begin(), list.end(), x) != list.end(); }

/// The moment at which a lead was pulled or put back without a mark.
std::optional<Seconds> unnamed_change(const Engine& engine, const Piece& piece, std::span<const Hypothesis> all,
                                      const Hypothesis& likeliest) {
  // Made-up takes without one reach 0.5 of a pulse (intermittent misses 0.7), with one mostly 0.9 and more.
  constexpr double a_pulse = 0.8;
  constexpr double contradicts = 1.5;
  const core::InnerChange change = core::inner_change(engine, piece.lines, {likeliest.dead, likeliest.missing});
  if (change.pulses > a_pulse) return change.at;
  // A lead pulled and put back leaves a stretch that sounds as before, as if the cylinder were dead: listen
  // next to the marks.
  for (std::size_t i = 1; i < piece.lines.size(); ++i) {
    if (likeliest.dead == 0 || piece.unplugged[i] != likeliest.dead || piece.take[i] != piece.take[i - 1]) continue;
    const std::vector<StretchLines> near = core::next_to_mark(piece.lines[i - 1], piece.lines[i]);
    const auto fit = [&](const Hypothesis& h) {
      const core::Suspect suspect{h.dead, h.missing};
      return core::LineFit{engine, near, std::span{&suspect, 1}}.log_likelihood();
    };
    const double same = fit(likeliest);
    for (const Hypothesis& h : all) {
      if (fit(h) > same + contradicts) return change.at;
    }
  }
  return std::nullopt;
}

/// What a piece's lines say of a suspect. A trigger marks the spark, and the pipe delays its sound by a
/// time that is a larger part of the cycle the faster it runs; a trigger that comes every turn leaves
/// half a cycle open from take to take. Both are unknown and averaged over.
double lines_fit(const Engine& engine, const Piece& piece, core::Suspect suspect) {
  const core::LineFit fit{engine, piece.lines, std::span{&suspect, 1}};
  if (!piece.triggered) return fit.log_likelihood();
  constexpr std::size_t most_open = 5;
  const std::size_t takes = piece.take.back() - piece.take.front();
  const unsigned halves = piece.every_turn ? 1U << std::min(takes, most_open) : 1U;
  std::vector<double> each;
  std::vector<double> turns(piece.lines.size());
  for (unsigned half = 0; half < halves; ++half) {
    for (int step = 0; step <= 6; ++step) {
      const double delay_s = 0.01 * step;
      for (std::size_t i = 0; i < turns.size(); ++i) {
        const std::size_t take = piece.take[i] - piece.take.front();
        turns[i] = delay_s * (piece.lines[i].cycle_frequency.value() - piece.lines.front().cycle_frequency.value());
        if (take > 0 && take <= most_open && ((half >> (take - 1)) & 1U) != 0U) turns[i] += 0.5;
      }
      each.push_back(fit.log_likelihood(turns));
    }
  }
  return core::log_sum_exp(each) - std::log(static_cast<double>(each.size()));
}

/// What recordings of their own say together: each has the lines of one stretch, turned by an unknown part
/// of a cycle against the first one's, which is averaged over.
double loose_lines_fit(const Engine& engine, std::span<const Piece> pieces, core::Suspect suspect) {
  const StretchLines* first = nullptr;
  double sum = 0.0;
  for (const Piece& piece : pieces) {
    if (piece.lines.size() != 1) continue;
    if (first == nullptr) {
      first = &piece.lines.front();
      continue;
    }
    const std::array pair{*first, piece.lines.front()};
    sum += core::LineFit{engine, pair, std::span{&suspect, 1}}.log_likelihood_turned();
  }
  return sum;
}

int position_of(const Engine& engine, int cylinder) {
  const auto positions = engine.positions();
  for (std::size_t i = 0; i < positions.size(); ++i) {
    if (positions[i].cylinder == cylinder) return static_cast<int>(i);
  }
  return -1;
}

/// A further unplugging under which the two candidates would sound different, 0 if there is none.
int settling_cylinder(const Engine& engine, int a, int b, std::span<const Piece> pieces) {
  const auto P = static_cast<int>(engine.positions().size());
  const auto apart = [&](int x, int y) {
    const int d = std::abs(position_of(engine, x) - position_of(engine, y));
    return std::min(d, P - d);
  };
  for (const FiringPosition& p : engine.positions()) {
    const bool tried = std::any_of(pieces.begin(), pieces.end(), [&](const Piece& piece) {
      return contains(piece.unplugged, p.cylinder);
    });
    if (tried || p.cylinder == a || p.cylinder == b) continue;
    if (apart(p.cylinder, a) != apart(p.cylinder, b)) return p.cylinder;
  }
  return a;  // its own unplugging changes nothing if it is the dead one
}

}  // namespace

std::string_view to_string(LocateReasonCode code) {
  switch (code) {
    case LocateReasonCode::no_engine: return "no_engine";
    case LocateReasonCode::stretch_too_short: return "stretch_too_short";
    case LocateReasonCode::cylinder_unheard: return "cylinder_unheard";
    case LocateReasonCode::unnamed_change: return "unnamed_change";
    case LocateReasonCode::nothing_changed: return "nothing_changed";
    case LocateReasonCode::speed_jumped: return "speed_jumped";
    case LocateReasonCode::trigger_used: return "trigger_used";
    case LocateReasonCode::trigger_every_turn: return "trigger_every_turn";
    case LocateReasonCode::evidence_thin: return "evidence_thin";
    case LocateReasonCode::phase_lost: return "phase_lost";
    case LocateReasonCode::gap_distance: return "gap_distance";
    case LocateReasonCode::nothing_missing: return "nothing_missing";
    case LocateReasonCode::same_cylinder: return "same_cylinder";
    case LocateReasonCode::two_candidates: return "two_candidates";
    case LocateReasonCode::unplug_next: return "unplug_next";
    case LocateReasonCode::intermittent: return "intermittent";
  }
  return "evidence_thin";
}

Location locate(const Engine& engine, std::span<const LocateTake> takes) {
  Location location;
  const auto because = [&](LocateReasonCode code, int cylinder = 0, double value = 0.0,
                           double value2 = 0.0) {
    location.reasons.push_back({code, cylinder, value, value2});
  };
  const std::size_t P = engine.positions().size();

  std::vector<Piece> pieces;
  std::vector<LocateReason> remarks;
  bool changed_inside = false;
  location.phase_kept = true;
  for (std::size_t t = 0; t < takes.size(); ++t) {
    const LocateTake& take = takes[t];
    const auto number = static_cast<int>(t) + 1;
    for (const Mark& m : take.marks) {
      if (m.unplugged != 0 && position_of(engine, m.unplugged) < 0) {
        because(LocateReasonCode::cylinder_unheard, m.unplugged);
        return location;
      }
    }
    if (take.finding.events.empty() && !take.triggered) {
      because(LocateReasonCode::no_engine, 0, number);
      return location;
    }
    const std::vector<Stretch> stretches = stretches_of(take, P);
    const bool lines = take.lines.size() == stretches.size();
    for (std::size_t i = 0; i < stretches.size(); ++i) {
      const Stretch& s = stretches[i];
      if (s.cycles < fewest_cycles && !lines) {
        because(LocateReasonCode::stretch_too_short, s.unplugged, number);
        return location;
      }
      bool kept = false;
      if (i > 0) {
        changed_inside = true;
        kept = take.triggered || phase_kept(take.finding, P, stretches[i - 1].first_s, s.last_s);
        if (kept && lines && !take.triggered) {
          const double ratio = take.lines[i].cycle_frequency.value() / take.lines[i - 1].cycle_frequency.value();
          if (ratio > largest_jump || ratio < 1.0 / largest_jump) {
            kept = false;
            because(LocateReasonCode::speed_jumped, 0, engine.speed(take.lines[i - 1].cycle_frequency).value(),
                    engine.speed(take.lines[i].cycle_frequency).value());
          }
        }
        if (!kept) {
          location.phase_kept = false;
          because(LocateReasonCode::phase_lost, 0, number);
        }
      } else if (take.triggered && lines && !pieces.empty() && pieces.back().triggered) {
        kept = true;
        changed_inside = true;
      }
      if (!kept) pieces.emplace_back();
      Piece& piece = pieces.back();
      piece.triggered = take.triggered && lines;
      piece.every_turn = piece.every_turn || take.trigger_every_turn;
      piece.unplugged.push_back(s.unplugged);
      piece.rows.push_back(s.row);
      piece.take.push_back(t);
      if (lines) piece.lines.push_back(take.lines[i]);
    }
    if (take.triggered) {
      remarks.push_back({take.trigger_every_turn ? LocateReasonCode::trigger_every_turn : LocateReasonCode::trigger_used,
                         0, static_cast<double>(number)});
    }
  }
  if (!changed_inside) location.phase_kept = false;
  const auto finished = [&] {
    location.reasons.insert(location.reasons.end(), remarks.begin(), remarks.end());
    return location;
  };

  const bool all_in_heard = std::any_of(pieces.begin(), pieces.end(), [](const Piece& p) { return contains(p.unplugged, 0); });
  const double none_before = all_in_heard ? none_prior : none_prior_apart;
  std::vector<Hypothesis> all{{0, 0.0, std::log(none_before)}};
  for (const FiringPosition& p : engine.positions()) {
    const bool unplugged = std::any_of(pieces.begin(), pieces.end(), [&](const Piece& piece) {
      return contains(piece.unplugged, p.cylinder);
    });
    const double prior = unplugged ? same_prior
                                   : (1.0 - none_before - same_prior) / static_cast<double>(P);
    for (const Severity& s : severities) {
      all.push_back({p.cylinder, s.missing, std::log(prior * s.prior)});
    }
  }
  const core::GapModel model{engine, changed_inside};
  const auto levels_fit = [&](const Piece& piece, const Hypothesis& h) {
    std::vector<std::vector<core::OffCylinder>> off;
    for (std::size_t i = 0; i < piece.unplugged.size(); ++i) {
      if (piece.rows[i].level.empty()) return 0.0;
      off.emplace_back();
      if (h.dead != 0) off.back().push_back({h.dead, h.missing});
      if (piece.unplugged[i] != 0) off.back().push_back({piece.unplugged[i], 1.0});
    }
    return model.log_likelihood(piece.rows, off);
  };
  // A cylinder that breathes in may be the loudest of all: beside lines, levels of recordings of their own, by
  // which a gap is a quiet place, count for half.
  const bool lines_apart = std::count_if(pieces.begin(), pieces.end(), [](const Piece& p) { return p.lines.size() == 1; }) > 1;
  const double levels_worth = lines_apart ? 0.5 : 1.0;
  std::vector<double> weights;
  double whole_miss = 0.0;
  for (Hypothesis& h : all) {
    for (const Piece& piece : pieces) {
      h.log_weight += piece.by_lines() ? lines_fit(engine, piece, {h.dead, h.missing}) : levels_worth * levels_fit(piece, h);
    }
    // Half a miss can imitate another cylinder when the turn is free: only a whole one is tried.
    if (h.missing == 1.0 || h.dead == 0) whole_miss = loose_lines_fit(engine, pieces, {h.dead, 1.0});
    h.log_weight += whole_miss;
    weights.push_back(h.log_weight);
  }
  const double total = core::log_sum_exp(weights);
  std::map<int, double> by_cylinder;
  std::map<int, std::pair<double, double>> severity;  // best log weight and its share
  for (const Hypothesis& h : all) {
    by_cylinder[h.dead] += std::exp(h.log_weight - total);
    const auto [it, fresh] = severity.try_emplace(h.dead, h.log_weight, h.missing);
    if (!fresh && h.log_weight > it->second.first) it->second = {h.log_weight, h.missing};
  }
  for (const auto& [cylinder, probability] : by_cylinder) {
    if (cylinder != 0 && probability > candidate) location.candidates.push_back({cylinder, probability});
  }
  std::stable_sort(location.candidates.begin(), location.candidates.end(),
                   [](const Candidate& a, const Candidate& b) { return a.probability > b.probability; });

  const auto likeliest = std::max_element(all.begin(), all.end(), [](const auto& a, const auto& b) {
    return a.log_weight < b.log_weight;
  });
  for (const Piece& piece : pieces) {
    if (!piece.by_lines()) continue;
    if (const auto at = unnamed_change(engine, piece, all, *likeliest)) {
      location.candidates.clear();
      because(LocateReasonCode::unnamed_change, 0, static_cast<double>(piece.take.front()) + 1.0,
              takes[piece.take.front()].begin.value() + at->value());
      return finished();
    }
  }
  const bool same = std::any_of(pieces.begin(), pieces.end(), [&](const Piece& piece) {
    return likeliest->dead != 0 && contains(piece.unplugged, likeliest->dead);
  });
  const bool all_fire = std::all_of(takes.begin(), takes.end(), [](const LocateTake& take) {
    return take.finding.miss_probability.value_or(1.0) < 0.5;
  });
  if (same && all_fire) {
    // Nothing changed, and nothing misses: the lead was never off.
    because(LocateReasonCode::nothing_changed, likeliest->dead);
    location.candidates.clear();
    return finished();
  }
  const double none = by_cylinder[0];
  if (none >= named) {
    location.answered = true;
    location.candidates.clear();
    because(LocateReasonCode::nothing_missing, 0, none);
    return finished();
  }
  if (location.candidates.empty() || location.candidates.front().probability < named) {
    if (location.candidates.size() >= 2) {
      const int a = location.candidates[0].cylinder;
      const int b = location.candidates[1].cylinder;
      because(LocateReasonCode::two_candidates, a, b);
      because(LocateReasonCode::unplug_next, settling_cylinder(engine, a, b, pieces));
    }
    because(LocateReasonCode::evidence_thin, 0,
            location.candidates.empty() ? none : location.candidates.front().probability);
    return finished();
  }
  location.answered = true;
  const int dead = location.candidates.front().cylinder;
  for (const Piece& piece : pieces) {
    for (int unplugged : piece.unplugged) {
      if (unplugged == 0) continue;
      if (unplugged == dead) {
        because(LocateReasonCode::same_cylinder, dead);
        continue;
      }
      const int steps = position_of(engine, unplugged) - position_of(engine, dead);
      const auto count = static_cast<int>(P);
      because(LocateReasonCode::gap_distance, unplugged, (steps + count) % count, count);
    }
  }
  if (severity[dead].second < 1.0) {
    because(LocateReasonCode::intermittent, dead, severity[dead].second);
  }
  return finished();
}

}  // namespace pipebeat
