#include <algorithm>
#include <array>
#include <cmath>
#include <map>

#include "core/gaps.hpp"
#include "pipebeat/droptest.hpp"

namespace pipebeat {

namespace {

constexpr double settle_s = 0.8;      // after a mark: a hand is not that exact, the speed moves
constexpr double before_mark_s = 0.3;
constexpr int fewest_cycles = 6;
constexpr double longest_break_s = 1.5;  // without a beat; beyond, the phase may have slipped
constexpr double none_prior = 0.15;
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

/// Pieces of one take whose stretches share the numbering of positions.
struct Piece {
  std::vector<int> unplugged;
  std::vector<core::LevelRow> rows;
};

std::vector<Stretch> stretches_of(const LocateTake& take, std::size_t positions) {
  std::vector<Mark> marks{{Seconds{-1e9}, 0}};
  marks.insert(marks.end(), take.marks.begin(), take.marks.end());
  std::vector<Stretch> out;
  for (std::size_t i = 0; i < marks.size(); ++i) {
    const double from = marks[i].at.value() + settle_s;
    const double to = i + 1 < marks.size() ? marks[i + 1].at.value() - before_mark_s : 1e9;
    std::vector<Event> events;
    int cycles = 0;
    std::int32_t last = -1;
    for (const Event& e : take.finding.events) {
      if (e.time_s < from || e.time_s > to) continue;
      events.push_back(e);
      cycles += e.cycle != last ? 1 : 0;
      last = e.cycle;
    }
    Stretch s;
    s.unplugged = marks[i].unplugged;
    s.cycles = cycles;
    if (cycles >= fewest_cycles) {
      // Stretches of one take share the listener's unit.
      s.row = core::level_row(events, positions, marks.size() < 2);
      s.first_s = events.front().time_s;
      s.last_s = events.back().time_s;
    }
    out.push_back(std::move(s));
  }
  // "All plugged in" before a mark at the very start is no stretch.
  if (!take.marks.empty() && take.marks.front().at.value() <= settle_s) out.erase(out.begin());
  return out;
}

/// True when the beat can be followed from one time to another without a long break or a restart of
/// the cycle count.
bool phase_kept(const Finding& finding, double from_s, double to_s) {
  const Event* last = nullptr;
  for (const Event& e : finding.events) {
    if (e.time_s < from_s || e.time_s > to_s) continue;
    if (last != nullptr && (e.cycle < last->cycle || e.time_s - last->time_s > longest_break_s)) {
      return false;
    }
    last = &e;
  }
  return true;
}

struct Hypothesis {
  int dead = 0;
  double missing = 0.0;
  double log_weight = 0.0;
};

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
      return std::find(piece.unplugged.begin(), piece.unplugged.end(), p.cylinder) !=
             piece.unplugged.end();
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
    if (take.finding.events.empty()) {
      because(LocateReasonCode::no_engine, 0, number);
      return location;
    }
    const Stretch* previous = nullptr;
    const std::vector<Stretch> stretches = stretches_of(take, P);
    for (const Stretch& s : stretches) {
      if (s.cycles < fewest_cycles) {
        because(LocateReasonCode::stretch_too_short, s.unplugged, number);
        return location;
      }
      bool kept = false;
      if (previous != nullptr) {
        changed_inside = true;
        kept = phase_kept(take.finding, previous->first_s, s.last_s);
        if (!kept) {
          location.phase_kept = false;
          because(LocateReasonCode::phase_lost, 0, number);
        }
      }
      if (!kept) pieces.emplace_back();
      pieces.back().unplugged.push_back(s.unplugged);
      pieces.back().rows.push_back(s.row);
      previous = &s;
    }
  }
  if (!changed_inside) location.phase_kept = false;

  std::vector<Hypothesis> all{{0, 0.0, std::log(none_prior)}};
  for (const FiringPosition& p : engine.positions()) {
    const bool unplugged = std::any_of(pieces.begin(), pieces.end(), [&](const Piece& piece) {
      return std::find(piece.unplugged.begin(), piece.unplugged.end(), p.cylinder) !=
             piece.unplugged.end();
    });
    const double prior = unplugged ? same_prior
                                   : (1.0 - none_prior - same_prior) / static_cast<double>(P);
    for (const Severity& s : severities) {
      all.push_back({p.cylinder, s.missing, std::log(prior * s.prior)});
    }
  }
  const core::GapModel model{engine, changed_inside};
  std::vector<double> weights;
  for (Hypothesis& h : all) {
    for (const Piece& piece : pieces) {
      std::vector<std::vector<core::OffCylinder>> off;
      for (int unplugged : piece.unplugged) {
        off.emplace_back();
        if (h.dead != 0) off.back().push_back({h.dead, h.missing});
        if (unplugged != 0) off.back().push_back({unplugged, 1.0});
      }
      h.log_weight += model.log_likelihood(piece.rows, off);
    }
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

  const double none = by_cylinder[0];
  if (none >= named) {
    location.answered = true;
    location.candidates.clear();
    because(LocateReasonCode::nothing_missing, 0, none);
    return location;
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
    return location;
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
  return location;
}

}  // namespace pipebeat
