//! The panes in the window: their tabs, the edges between them, and what is dragged. The state says where
//! they stand; the tree of the library is made of that, and what a person does to it is read back.

use std::collections::HashMap;

use bevy_egui::egui;
use egui::{
    Align, Color32, CursorIcon, Id, Layout as Flow, Margin, Rect, Response, Sense, Stroke,
    TextStyle, Ui, UiBuilder, Vec2, Visuals, WidgetInfo, WidgetText, WidgetType, pos2, vec2,
};
use egui_tiles::{
    Behavior, Container, EditAction, Linear, LinearDir, ResizeState, SimplificationOptions,
    TabState, Tabs, Tile, TileId, Tiles, Tree, UiResponse,
};

use super::theme::{colour, faint};
use super::{Memory, faults, map, presets, time, tracks, tune, views};
use crate::state::command::{Command, key_of};
use crate::state::layout::Layout;
use crate::state::palette;
use crate::state::panes::{Area, Pane, Panes, Piece, Place};
use crate::state::session::Session;
use crate::state::stage::Who;

/// Room between two panes, where the edge is dragged, points.
const GAP: f32 = 1.0;
/// Height of the line of tabs, points.
const TABS: f32 = 32.0;
/// Room left and right of a tab's words, and between tabs, points.
const TAB_MARGIN: f32 = 8.0;
const TAB_GAP: f32 = 4.0;
/// Room before the first tab, points.
const BEFORE_TABS: f32 = 8.0;
/// Room for the button that closes a pane, points.
const CLOSE: f32 = 40.0;
/// Least width and height of a pane, as far as there is room, points.
const LEAST: f32 = 72.0;
/// Usual width of what stands beside the bodies, and height of what stands above or below, points.
const USUAL: [f32; 2] = [316.0, 254.0];

/// The tree of the library, and what it was made of.
#[derive(Debug)]
pub struct Dock {
    tree: Tree<Pane>,
    /// How the state had the panes when they were last one with the tree.
    seen: Option<Panes>,
    /// Sizes that a person gave, points, and those that there is room for.
    given: HashMap<TileId, u32>,
    fitted: HashMap<TileId, f32>,
    /// Widths of groups, points.
    widths: HashMap<TileId, f32>,
    /// Whether a drag that has changed sizes already goes on.
    is_dragging: bool,
}

impl Default for Dock {
    fn default() -> Self {
        Self {
            tree: Tree::empty("panes"),
            seen: None,
            given: HashMap::new(),
            fitted: HashMap::new(),
            widths: HashMap::new(),
            is_dragging: false,
        }
    }
}

impl Dock {
    /// Makes the tree one with the layout, in some room of the window.
    fn follow(&mut self, layout: &Layout, room: Vec2) {
        if self.seen.as_ref() != Some(&layout.panes) {
            let mut tiles = Tiles::default();
            // Panes keep their numbers, so that one that is dragged stays the same.
            for pane in Pane::ALL {
                tiles.insert(tile_of(pane), Tile::Pane(pane));
            }
            self.given.clear();
            let root = planted(&mut tiles, &layout.panes.root, &mut self.given);
            self.tree = Tree::new("panes", root, tiles);
            self.seen = Some(layout.panes.clone());
        }
        for pane in Pane::ALL {
            self.tree.set_visible(tile_of(pane), layout.has(pane));
        }
        self.fitted.clear();
        self.widths.clear();
        if let Some(root) = self.tree.root() {
            self.fit(root, room);
        }
    }

    /// Gives every visible part of a row or column its size.
    fn fit(&mut self, tile: TileId, room: Vec2) {
        self.widths.insert(tile, room.x);
        let Some(Container::Linear(linear)) = self.tree.tiles.get_container(tile) else {
            return;
        };
        let is_row = linear.dir == LinearDir::Horizontal;
        let visible = |child: &TileId| self.tree.is_visible_in_layout(*child);
        let children: Vec<TileId> = linear.children.iter().copied().filter(visible).collect();
        let gaps = GAP * children.len().saturating_sub(1) as f32;
        let along = if is_row { room.x } else { room.y };
        let bodies = children.iter().position(|child| self.has_bodies(*child));
        let given: Vec<Option<u32>> = children
            .iter()
            .map(|child| self.given.get(child).copied())
            .collect();
        let usual = USUAL[usize::from(!is_row)];
        let sizes = sizes(&given, bodies, usual, (along - gaps).max(0.0));
        for (child, size) in children.into_iter().zip(sizes) {
            self.fitted.insert(child, size);
            if let Some(Tile::Container(Container::Linear(linear))) = self.tree.tiles.get_mut(tile)
            {
                linear.shares.set_share(child, size);
            }
            let inner = match is_row {
                true => vec2(size, room.y),
                false => vec2(room.x, size),
            };
            self.fit(child, inner);
        }
    }

    /// Takes note of the sizes that were given by a drag at an edge.
    fn keep_sizes(&mut self) {
        let containers = self.tree.tiles.tiles().filter_map(|tile| match tile {
            Tile::Container(Container::Linear(linear)) => Some(linear),
            _ => None,
        });
        let sizes = containers.flat_map(|linear| {
            let children = linear.children.iter();
            children.filter_map(|child| Some((*child, self.size_of(linear, *child)?)))
        });
        self.given = sizes.collect();
    }

    fn has_bodies(&self, tile: TileId) -> bool {
        match self.tree.tiles.get(tile) {
            Some(Tile::Pane(pane)) => *pane == Pane::Bodies,
            Some(Tile::Container(container)) => {
                container.children().any(|child| self.has_bodies(*child))
            }
            None => false,
        }
    }

    /// How the window is divided now, after something was dragged.
    fn read(&self, tile: TileId, dragged: Option<TileId>) -> Area {
        match self.tree.tiles.get(tile) {
            Some(Tile::Pane(pane)) => Area::Group {
                panes: vec![*pane],
                front: *pane,
            },
            Some(Tile::Container(Container::Linear(linear))) => {
                let pieces = linear.children.iter();
                let pieces = pieces.map(|child| Piece {
                    size: self.size_of(linear, *child),
                    area: self.read(*child, dragged),
                });
                row_or_column(linear.dir, pieces.collect())
            }
            Some(Tile::Container(Container::Tabs(tabs))) => self.read_group(tabs, dragged),
            Some(Tile::Container(Container::Grid(_))) | None => crate::state::panes::group(&[]),
        }
    }

    /// The size of a piece that is worth keeping: what a person gave, or gives now.
    fn size_of(&self, linear: &Linear, child: TileId) -> Option<u32> {
        let mut shares = linear.shares.iter();
        let (_, share) = shares.find(|(id, _)| **id == child)?;
        if self.has_bodies(child) {
            return None;
        }
        let is_fitted = |tile: &TileId| {
            let fitted = self.fitted.get(tile);
            fitted.is_some_and(|fitted| (share - fitted).abs() < 0.5)
        };
        // What was dropped at the edge of a piece makes a row or a column of both, in its place.
        let inner = self.tree.tiles.get_container(child);
        let mut inner = inner.into_iter().flat_map(Container::children);
        let known = match is_fitted(&child) {
            true => Some(child),
            false => inner.find(|tile| is_fitted(tile)).copied(),
        };
        match known {
            Some(tile) => self.given.get(&tile).copied(),
            None => Some(share.round() as u32),
        }
    }

    /// A group. What was dropped at an edge within it stands beside it, and groups that were dropped into
    /// it are one with it.
    fn read_group(&self, tabs: &Tabs, dragged: Option<TileId>) -> Area {
        let mut panes = Vec::new();
        let mut beside = None;
        for child in &tabs.children {
            match self.tree.tiles.get_container(*child) {
                Some(Container::Linear(linear)) => {
                    for (at, inner) in linear.children.iter().enumerate() {
                        match Some(*inner) == dragged {
                            true => beside = Some((linear.dir, at == 0, self.read(*inner, None))),
                            false => panes.extend(self.read(*inner, None).panes()),
                        }
                    }
                }
                _ => panes.extend(self.read(*child, None).panes()),
            }
        }
        let fronts = tabs.active.map(|active| self.fronts(active, dragged));
        let front = fronts.unwrap_or_default().into_iter().next();
        let front = front.or(panes.first().copied()).unwrap_or(Pane::Bodies);
        let group = Piece::new(Area::Group { panes, front });
        match beside {
            None => group.area,
            Some((dir, true, new)) => row_or_column(dir, vec![Piece::new(new), group]),
            Some((dir, false, new)) => row_or_column(dir, vec![group, Piece::new(new)]),
        }
    }

    /// The panes in front within a tile, without one that was dragged there.
    fn fronts(&self, tile: TileId, dragged: Option<TileId>) -> Vec<Pane> {
        match self.tree.tiles.get(tile) {
            Some(Tile::Pane(pane)) => vec![*pane],
            Some(Tile::Container(Container::Tabs(tabs))) => tabs
                .active
                .map_or_else(Vec::new, |active| self.fronts(active, dragged)),
            Some(Tile::Container(container)) => {
                let inner = container
                    .children()
                    .filter(|child| Some(**child) != dragged);
                inner
                    .flat_map(|child| self.fronts(*child, dragged))
                    .collect()
            }
            None => Vec::new(),
        }
    }
}

fn row_or_column(dir: LinearDir, pieces: Vec<Piece>) -> Area {
    match dir {
        LinearDir::Horizontal => Area::Row(pieces),
        LinearDir::Vertical => Area::Column(pieces),
    }
}

fn tile_of(pane: Pane) -> TileId {
    TileId::from_u64(1 + pane as u64)
}

/// Makes the tiles of an area. The bodies need no tab while they stand alone.
fn planted(tiles: &mut Tiles<Pane>, area: &Area, given: &mut HashMap<TileId, u32>) -> TileId {
    let (dir, pieces) = match area {
        Area::Group { panes, .. } if panes.as_slice() == [Pane::Bodies] => {
            return tile_of(Pane::Bodies);
        }
        Area::Group { panes, front } => {
            let mut tabs = Tabs::new(panes.iter().map(|pane| tile_of(*pane)).collect());
            tabs.set_active(tile_of(*front));
            return tiles.insert_container(tabs);
        }
        Area::Row(pieces) => (LinearDir::Horizontal, pieces),
        Area::Column(pieces) => (LinearDir::Vertical, pieces),
    };
    let mut children = Vec::new();
    for piece in pieces {
        let child = planted(tiles, &piece.area, given);
        if let Some(size) = piece.size {
            given.insert(child, size);
        }
        children.push(child);
    }
    tiles.insert_container(Linear::new(dir, children))
}

/// Sizes of the pieces of a row or a column, points, which fill the room. The bodies get what the others
/// leave, at least half in a small window; without them all are as large as was given, one to another.
fn sizes(given: &[Option<u32>], bodies: Option<usize>, usual: f32, room: f32) -> Vec<f32> {
    let count = given.len();
    let known = || given.iter().flatten().map(|size| *size as f32);
    let usual = match (bodies, known().count()) {
        (Some(_), _) if count <= 2 => usual.min(0.45 * room),
        (Some(_), _) => usual.min(0.66 * room / (count - 1) as f32),
        (None, 0) => 1.0,
        (None, some) => known().sum::<f32>() / some as f32,
    };
    let mut sizes: Vec<f32> = given
        .iter()
        .map(|size| size.map_or(usual, |size| size as f32))
        .collect();
    let Some(bodies) = bodies else {
        let all: f32 = sizes.iter().sum();
        sizes
            .iter_mut()
            .for_each(|size| *size *= room / all.max(1.0));
        return sizes;
    };
    sizes[bodies] = 0.0;
    let most = (room - LEAST).max(0.5 * room);
    let others: f32 = sizes.iter().sum();
    if others > most {
        sizes.iter_mut().for_each(|size| *size *= most / others);
    }
    sizes[bodies] = room - sizes.iter().sum::<f32>();
    sizes
}

/// Whether play and its fields have room beside the tabs of what lies over time; else they need a place
/// of their own.
pub fn carries_time(ui: &Ui, session: &Session, memory: &mut Memory) -> bool {
    let layout = &session.preferences.layout;
    memory.dock.follow(layout, ui.available_size_before_wrap());
    let Some(carrier) = carrier(layout) else {
        return false;
    };
    let dock = &memory.dock;
    let group = dock.tree.tiles.parent_of(tile_of(carrier));
    let width = group.and_then(|group| dock.widths.get(&group)).copied();
    let panes = layout.panes.groups().into_iter();
    let mut group = panes.filter(|(panes, _)| panes.contains(&carrier));
    let tabs = group.next().map_or(0.0, |(panes, _)| {
        let open = panes.iter().copied().filter(|pane| layout.has(*pane));
        tabs_width(ui, session, open)
    });
    width.unwrap_or(0.0) - tabs - CLOSE >= time::least_width(session, memory)
}

/// The pane beside whose tabs play stands.
fn carrier(layout: &Layout) -> Option<Pane> {
    let mut front = layout.in_front().into_iter();
    front.find(|pane| matches!(pane, Pane::Tracks | Pane::Curves))
}

/// Draws all panes, and returns where each body is drawn.
pub fn show(
    ui: &mut Ui,
    session: &Session,
    memory: &mut Memory,
    is_time_carried: bool,
    out: &mut Vec<Command>,
) -> Vec<(Who, Rect)> {
    let layout = &session.preferences.layout;
    let mut dock = std::mem::take(&mut memory.dock);
    dock.follow(layout, ui.available_size_before_wrap());
    let dragged = dock.tree.dragged_id(ui.ctx());
    let bodies = dock.tree.tiles.parent_of(tile_of(Pane::Bodies));
    let bodies = bodies.and_then(|parent| dock.tree.tiles.get_container(parent));
    let mut panels = Panels {
        session,
        memory,
        out,
        carrier: carrier(layout).filter(|_| is_time_carried),
        are_bodies_alone: !matches!(bodies, Some(Container::Tabs(_))),
        views: Vec::new(),
        edit: None,
    };
    dock.tree.ui(&mut panels, ui);
    dock.is_dragging &= ui.input(|input| input.pointer.any_down());
    let (views, edit) = (panels.views, panels.edit);
    if let (Some(edit), Some(root)) = (edit, dock.tree.root()) {
        let dropped = dragged.filter(|_| edit == EditAction::TileDropped);
        if let Ok(panes) = layout.panes.with_root(dock.read(root, dropped)) {
            // After a drop the tree is made anew of what came of it.
            dock.seen = dropped.is_none().then(|| panes.clone());
            dock.keep_sizes();
            if panes != layout.panes {
                let mut layout = layout.clone();
                layout.panes = panes;
                let goes_on = std::mem::replace(&mut dock.is_dragging, true);
                out.push(Command::SetLayout { layout, goes_on });
            }
        } else {
            dock.seen = None;
        }
    }
    memory.dock = dock;
    views
}

/// What the library asks for while it draws.
struct Panels<'a> {
    session: &'a Session,
    memory: &'a mut Memory,
    out: &'a mut Vec<Command>,
    /// The pane beside whose tabs play stands, if anywhere.
    carrier: Option<Pane>,
    are_bodies_alone: bool,
    views: Vec<(Who, Rect)>,
    /// What a person did to the tree; a drop is more than the choice of a tab on the way.
    edit: Option<EditAction>,
}

/// The words on a tab.
fn title(session: &Session, pane: Pane) -> String {
    match (pane, session.open_faults()) {
        (Pane::Faults, count) if count > 0 => format!("{} {count}", pane.word()),
        _ => pane.word().to_owned(),
    }
}

fn tab_width(ui: &Ui, session: &Session, pane: Pane) -> f32 {
    let font = TextStyle::Button.resolve(ui.style());
    let words = WidgetText::from(title(session, pane));
    let words = words.into_galley(ui, Some(egui::TextWrapMode::Extend), f32::INFINITY, font);
    (words.size().x + 2.0 * TAB_MARGIN).ceil() + TAB_GAP
}

fn tabs_width(ui: &Ui, session: &Session, panes: impl Iterator<Item = Pane>) -> f32 {
    let tabs: f32 = panes.map(|pane| tab_width(ui, session, pane)).sum();
    BEFORE_TABS + tabs + TAB_GAP
}

impl Panels<'_> {
    fn content(&mut self, ui: &mut Ui, pane: Pane) {
        let (session, memory, out) = (self.session, &mut *self.memory, &mut *self.out);
        match pane {
            Pane::Bodies => self.views = views::show(ui, session, memory, out),
            Pane::Faults => faults::show(ui, session, memory, out),
            Pane::Map => map::show(ui, session, memory, out),
            Pane::Tune => tune::show(ui, session, out),
            Pane::Presets => presets::show(ui, session, memory, out),
            Pane::Tracks | Pane::Curves => tracks::show(ui, session, memory, pane, out),
        }
    }

    /// Six dots in the corner, by which the bodies are dragged while they have no tab.
    fn grip(&self, ui: &Ui) -> Response {
        let corner = ui.max_rect().right_top();
        let rect = Rect::from_min_size(corner + vec2(-26.0, 8.0), vec2(18.0, 22.0));
        let response = ui.interact(rect, ui.id().with("grip"), Sense::drag());
        response.widget_info(|| WidgetInfo::labeled(WidgetType::Button, true, "Bodies"));
        let shade = match response.hovered() || response.dragged() {
            true => ui.visuals().text_color(),
            false => ui.visuals().weak_text_color(),
        };
        let painter = ui.painter();
        painter.rect_filled(rect, 5.0, views::plate(ui));
        for across in [-3.0, 3.0] {
            for down in [-5.0, 0.0, 5.0] {
                painter.circle_filled(rect.center() + vec2(across, down), 1.3, shade);
            }
        }
        response
            .on_hover_cursor(CursorIcon::Grab)
            .on_hover_text("Drag the bodies to another place")
    }
}

impl Behavior<Pane> for Panels<'_> {
    fn pane_ui(&mut self, ui: &mut Ui, _tile: TileId, pane: &mut Pane) -> UiResponse {
        let pane = *pane;
        let whole = ui.max_rect();
        let margin = match pane {
            Pane::Bodies => Margin::ZERO,
            _ => Margin {
                left: 10,
                right: 10,
                top: 4,
                bottom: 6,
            },
        };
        if pane != Pane::Bodies {
            ui.painter()
                .rect_filled(whole, 0.0, ui.visuals().panel_fill);
        }
        // Named by the pane, so that lists stay where they were scrolled to wherever it is put.
        let room = UiBuilder::new()
            .id(Id::new(("pane", pane)))
            .max_rect(whole - margin)
            .layout(Flow::top_down(Align::Min));
        let mut inner = ui.new_child(room);
        inner.shrink_clip_rect(whole);
        self.content(&mut inner, pane);
        let has_grip = pane == Pane::Bodies && self.are_bodies_alone;
        match has_grip && self.grip(&inner).drag_started() {
            true => UiResponse::DragStarted,
            false => UiResponse::None,
        }
    }

    fn tab_title_for_pane(&mut self, pane: &Pane) -> WidgetText {
        title(self.session, *pane).into()
    }

    fn tab_ui(
        &mut self,
        tiles: &mut Tiles<Pane>,
        ui: &mut Ui,
        id: Id,
        tile: TileId,
        state: &TabState,
    ) -> Response {
        let pane = tiles.get_pane(&tile).copied().unwrap_or(Pane::Bodies);
        let words = title(self.session, pane);
        let width = tab_width(ui, self.session, pane);
        let (_, space) = ui.allocate_space(vec2(width, ui.available_height()));
        let height = ui.spacing().interact_size.y;
        let rect = Rect::from_center_size(
            space.center() - vec2(0.5 * TAB_GAP, 0.0),
            vec2(width - TAB_GAP, height),
        );
        let response = ui.interact(rect, id, Sense::click_and_drag());
        response.widget_info(|| {
            WidgetInfo::selected(WidgetType::Button, ui.is_enabled(), state.active, &words)
        });
        let visuals = ui.visuals();
        let fill = match (state.active, response.hovered(), state.is_being_dragged) {
            (.., true) => visuals.faint_bg_color,
            (true, ..) => visuals.selection.bg_fill,
            (false, true, _) => visuals.widgets.hovered.bg_fill,
            (false, false, _) => Color32::TRANSPARENT,
        };
        let text = visuals.text_color();
        let painter = ui.painter();
        painter.rect_filled(rect, 5.0, fill);
        if response.has_focus() {
            let edge = Stroke::new(1.0, text);
            painter.rect_stroke(rect, 5.0, edge, egui::StrokeKind::Inside);
        }
        let font = TextStyle::Button.resolve(ui.style());
        painter.text(
            rect.center(),
            egui::Align2::CENTER_CENTER,
            &words,
            font,
            text,
        );
        if state.active {
            // The tab that is chosen is told apart without its colour too.
            let line = rect.x_range().shrink(TAB_MARGIN);
            let stroke = Stroke::new(1.5, text);
            painter.hline(line, rect.bottom() - 2.0, stroke);
        }
        if response.middle_clicked() && pane != Pane::Bodies {
            self.out.push(Command::ClosePanel(pane));
        }
        response.context_menu(|ui| {
            places(ui, self.session, pane, self.out);
            if pane != Pane::Bodies {
                ui.separator();
                super::theme::button(
                    ui,
                    &format!("Close {}", pane.word()),
                    "It keeps its place for when it is opened",
                    Command::ClosePanel(pane),
                    self.out,
                );
            }
        });
        let hint = match key_of(&Command::SetPanel(pane)) {
            "" => pane.help().to_owned(),
            key => format!("{} ({key})", pane.help()),
        };
        response
            .on_hover_cursor(CursorIcon::Grab)
            .on_hover_text(format!(
                "{hint}\nDrag it to any edge or group; right click: places"
            ))
    }

    fn drag_ui(&mut self, tiles: &Tiles<Pane>, ui: &mut Ui, tile: TileId) {
        let pane = tiles.get_pane(&tile).copied();
        let words = match (pane, tiles.get_container(tile)) {
            (Some(pane), _) => title(self.session, pane),
            (None, Some(group)) => {
                let panes = group.children().filter_map(|child| tiles.get_pane(child));
                let words: Vec<&str> = panes.map(|pane| pane.word()).collect();
                words.join(" · ")
            }
            (None, None) => String::new(),
        };
        egui::Frame::new()
            .fill(views::plate(ui))
            .stroke(ui.visuals().window_stroke)
            .corner_radius(5.0)
            .inner_margin(Margin::symmetric(8, 4))
            .show(ui, |ui| ui.label(words));
    }

    fn top_bar_right_ui(
        &mut self,
        tiles: &Tiles<Pane>,
        ui: &mut Ui,
        _tile: TileId,
        tabs: &Tabs,
        _scrolled: &mut f32,
    ) {
        let front = tabs.active.and_then(|active| tiles.get_pane(&active));
        let Some(front) = front.copied() else {
            return;
        };
        ui.add_space(6.0);
        if front != Pane::Bodies {
            close(ui, front, self.out);
        }
        if self.carrier == Some(front) {
            let panes = tabs.children.iter();
            let open = panes.filter(|child| tiles.is_visible(**child));
            let open = open.filter_map(|child| tiles.get_pane(child)).copied();
            let room = ui.available_width() - tabs_width(ui, self.session, open);
            let room = vec2(room.max(0.0), ui.available_height());
            ui.allocate_ui_with_layout(room, Flow::left_to_right(Align::Center), |ui| {
                ui.separator();
                time::show(ui, self.session, self.memory, self.out);
            });
        }
    }

    fn tab_bar_left_ui(&mut self, _tiles: &Tiles<Pane>, ui: &mut Ui, _tile: TileId, _tabs: &Tabs) {
        ui.spacing_mut().item_spacing.x = 0.0;
        ui.add_space(BEFORE_TABS);
    }

    fn tab_bar_height(&self, _style: &egui::Style) -> f32 {
        TABS
    }

    fn gap_width(&self, _style: &egui::Style) -> f32 {
        GAP
    }

    fn min_size(&self) -> f32 {
        LEAST
    }

    fn simplification_options(&self) -> SimplificationOptions {
        // The state tidies up itself.
        SimplificationOptions::OFF
    }

    fn resize_stroke(&self, style: &egui::Style, state: ResizeState) -> Stroke {
        match state {
            ResizeState::Idle => {
                Stroke::new(GAP, style.visuals.widgets.noninteractive.bg_stroke.color)
            }
            ResizeState::Hovering | ResizeState::Dragging => {
                Stroke::new(3.0, style.visuals.selection.bg_fill)
            }
        }
    }

    fn tab_bar_color(&self, visuals: &Visuals) -> Color32 {
        visuals.panel_fill
    }

    fn drag_preview_stroke(&self, _visuals: &Visuals) -> Stroke {
        Stroke::new(1.5, colour(palette::SKY))
    }

    fn drag_preview_color(&self, _visuals: &Visuals) -> Color32 {
        faint(palette::SKY, 0.25)
    }

    fn on_edit(&mut self, action: EditAction) {
        let is_more = self.edit != Some(EditAction::TileDropped);
        if is_more && action != EditAction::TileDragged {
            self.edit = Some(action);
        }
    }
}

/// The button at the end of the tabs that closes the pane in front.
fn close(ui: &mut Ui, pane: Pane, out: &mut Vec<Command>) {
    let words = format!("Close {}", pane.word());
    let (rect, response) = ui.allocate_exact_size(vec2(20.0, 20.0), Sense::click());
    response.widget_info(|| WidgetInfo::labeled(WidgetType::Button, ui.is_enabled(), &words));
    let visuals = ui.visuals();
    if response.hovered() || response.has_focus() {
        let fill = visuals.widgets.hovered.bg_fill;
        ui.painter().rect_filled(rect, 5.0, fill);
    }
    let shade = match response.hovered() {
        true => visuals.text_color(),
        false => visuals.weak_text_color(),
    };
    let (stroke, cross) = (Stroke::new(1.3, shade), rect.shrink(6.0));
    let corners = [
        [cross.left_top(), cross.right_bottom()],
        [
            pos2(cross.right(), cross.top()),
            pos2(cross.left(), cross.bottom()),
        ],
    ];
    for ends in corners {
        ui.painter().line_segment(ends, stroke);
    }
    if response.clicked() {
        out.push(Command::ClosePanel(pane));
    }
    let key = key_of(&Command::ClosePanel(pane));
    response.on_hover_text(format!("{words} ({key}); it keeps its place"));
}

/// The places that a pane can be put to, as lines of a menu.
fn places(ui: &mut Ui, session: &Session, pane: Pane, out: &mut Vec<Command>) {
    let beside = Place::BESIDE.into_iter().filter(|_| pane != Pane::Bodies);
    let layout = &session.preferences.layout;
    let groups = layout.panes.groups().into_iter();
    let others = groups.filter(|(panes, _)| !panes.contains(&pane));
    // A group is named by the pane that is seen of it.
    let fronts = layout.in_front();
    let seen = others.filter_map(|(panes, _)| fronts.iter().find(|front| panes.contains(front)));
    for place in beside.chain(seen.map(|front| Place::With(*front))) {
        if ui.button(place.words()).clicked() {
            out.push(Command::MovePanel(pane, place));
            ui.close();
        }
    }
}

/// The menu of all panes.
pub fn menu(ui: &mut Ui, session: &Session, out: &mut Vec<Command>) {
    let layout = &session.preferences.layout;
    ui.set_max_width(200.0);
    for pane in Pane::ALL.into_iter().filter(|pane| *pane != Pane::Bodies) {
        let mut is_open = layout.has(pane);
        let key = key_of(&Command::SetPanel(pane));
        let words = egui::RichText::new(pane.word());
        let line = ui
            .horizontal(|ui| {
                let line = ui.checkbox(&mut is_open, words);
                ui.with_layout(Flow::right_to_left(Align::Center), |ui| {
                    ui.label(egui::RichText::new(key).monospace().weak());
                });
                line
            })
            .inner;
        if line.on_hover_text(pane.help()).changed() {
            out.push(match is_open {
                true => Command::SetPanel(pane),
                false => Command::ClosePanel(pane),
            });
        }
    }
    ui.separator();
    ui.menu_button("Put a panel …", |ui| {
        for pane in Pane::ALL {
            ui.menu_button(pane.word(), |ui| places(ui, session, pane, out));
        }
    });
    let layouts = &session.layouts;
    for (text, name, command) in [
        ("Undo layout", layouts.can_undo(), Command::UndoLayout),
        ("Redo layout", layouts.can_redo(), Command::RedoLayout),
    ] {
        let hint = name.map_or("Nothing of the panels has changed".to_owned(), |name| {
            format!("{text}: {name}. Undo and redo of the motion leave panels as they are")
        });
        ui.add_enabled_ui(name.is_some(), |ui| {
            super::theme::button(ui, text, &hint, command, out);
        });
    }
    for (text, hint, command) in [
        (
            "Exchange left and right",
            "What stands left of the bodies goes to the right, and the other way round",
            Command::SwapSide,
        ),
        (
            "Reset layout",
            "All panels as they stand at first",
            Command::ResetLayout,
        ),
    ] {
        if super::theme::button(ui, text, hint, command, out).clicked() {
            ui.close();
        }
    }
}

#[cfg(test)]
mod tests {
    use egui_kittest::Harness;
    use egui_kittest::kittest::Queryable;
    use understudy_interchange::ron_file::save_ron;

    use super::*;
    use crate::state::preferences::Preferences;
    use crate::state::session::tests::opened;
    use crate::ui::tests::{Stage, drag, harness_of_size, pedlar, press};

    type Window = Harness<'static, Stage>;

    fn layout(harness: &Window) -> &Layout {
        &harness.state().session.preferences.layout
    }

    fn apply(harness: &mut Window, command: Command) {
        harness.state_mut().session.apply(command);
        harness.run_steps(4);
    }

    /// Where a tab is.
    fn tab(harness: &Window, words: &str) -> egui::Pos2 {
        harness.get_by_label(words).rect().center()
    }

    /// Groups of panes, in the order in which they stand.
    fn groups(harness: &Window) -> Vec<Vec<Pane>> {
        let groups = layout(harness).panes.groups().into_iter();
        groups.map(|(panes, _)| panes.to_vec()).collect()
    }

    fn bodies(harness: &Window) -> Rect {
        let views = harness.state().views.iter();
        views.fold(Rect::NOTHING, |all, (_, rect)| all.union(*rect))
    }

    /// Every pane stands at one place, and the picture is that of the state.
    fn check_all(harness: &Window) {
        let mut all = layout(harness).panes.root.panes();
        all.sort_unstable();
        assert_eq!(all, Pane::ALL);
        let dock = &harness.state().memory.dock;
        for pane in Pane::ALL {
            let rect = dock.tree.tiles.rect(tile_of(pane));
            let is_drawn = rect.is_some() && dock.tree.active_tiles().contains(&tile_of(pane));
            assert_eq!(is_drawn, layout(harness).shows(pane), "{pane:?}");
        }
    }

    #[test]
    fn a_tab_is_dragged_to_an_edge_into_a_group_and_beside_one() {
        let mut harness = pedlar();
        let usual = bodies(&harness);
        // To the left edge of the bodies.
        let (from, to) = (tab(&harness, "Tune"), usual.left_center() + vec2(3.0, 0.0));
        drag(&mut harness, from, to);
        check_all(&harness);
        let side = [Pane::Faults, Pane::Map, Pane::Presets];
        let time = [Pane::Tracks, Pane::Curves];
        let expected = [
            vec![Pane::Tune],
            vec![Pane::Bodies],
            side.to_vec(),
            time.to_vec(),
        ];
        assert_eq!(groups(&harness), expected);
        assert!(layout(&harness).shows(Pane::Tune) && layout(&harness).shows(Pane::Faults));
        assert!((bodies(&harness).left() - usual.left() - 316.0).abs() < 4.0);
        assert_eq!(bodies(&harness).height(), usual.height());
        // Let go by a key on the way, it stays, and so does the joint that is chosen.
        let joint = Some((Who::Character, 5));
        apply(&mut harness, Command::ChooseJoint(joint));
        let before = layout(&harness).clone();
        let from = tab(&harness, "Tune");
        harness.hover_at(from);
        harness.run_steps(2);
        harness.drag_at(from);
        harness.run_steps(2);
        harness.hover_at(usual.center());
        harness.run_steps(2);
        harness.key_press(egui::Key::Escape);
        harness.run_steps(2);
        harness.drop_at(usual.center());
        harness.run_steps(3);
        assert_eq!(layout(&harness), &before);
        assert_eq!(harness.state().session.joint, joint);
        apply(&mut harness, Command::ChooseJoint(None));
        // Into the middle of another group.
        let faults = harness
            .state()
            .memory
            .dock
            .tree
            .tiles
            .rect(tile_of(Pane::Faults));
        drag(&mut harness, from, faults.unwrap().center());
        check_all(&harness);
        let all = [&side[..], &[Pane::Tune]].concat();
        assert_eq!(groups(&harness)[1], all);
        assert!(layout(&harness).shows(Pane::Tune) && !layout(&harness).shows(Pane::Faults));
        assert_eq!(bodies(&harness), usual);
        // Into the right half of the group it comes from: curves beside the tracks.
        let tracks = harness
            .state()
            .memory
            .dock
            .tree
            .tiles
            .rect(tile_of(Pane::Tracks));
        let (from, tracks) = (tab(&harness, "Curves"), tracks.unwrap());
        drag(
            &mut harness,
            from,
            tracks.center() + vec2(0.25 * tracks.width(), 0.0),
        );
        check_all(&harness);
        assert_eq!(groups(&harness)[2..], [[Pane::Tracks], [Pane::Curves]]);
        assert!(layout(&harness).shows(Pane::Tracks) && layout(&harness).shows(Pane::Curves));
        assert_eq!(bodies(&harness), usual, "what is around it stays");
        assert_eq!(layout(&harness).panes.size_of(Pane::Tracks), None);
        assert_eq!(harness.get_all_by_label("▶|").count(), 1);
        // The edge between the two.
        let edge = tracks.center();
        drag(&mut harness, edge, edge - vec2(100.0, 0.0));
        let sizes = [Pane::Tracks, Pane::Curves].map(|pane| layout(&harness).panes.size_of(pane));
        let [tracks, curves] = sizes.map(|size| size.unwrap());
        assert!(curves.abs_diff(tracks + 200) < 3, "{tracks} {curves}");
        // The whole drag is one step to take back, and so was the drop before it.
        harness.key_press(egui::Key::F8);
        harness.run_steps(4);
        assert_eq!(groups(&harness)[2..], [[Pane::Tracks], [Pane::Curves]]);
        assert_eq!(layout(&harness).panes.size_of(Pane::Tracks), None);
        check_all(&harness);
        harness.key_press(egui::Key::F8);
        harness.run_steps(4);
        assert_eq!(groups(&harness)[2], [Pane::Tracks, Pane::Curves]);
        check_all(&harness);
        harness.key_press_modifiers(egui::Modifiers::SHIFT, egui::Key::F8);
        harness.run_steps(4);
        assert_eq!(groups(&harness)[2..], [[Pane::Tracks], [Pane::Curves]]);
        apply(&mut harness, Command::ResetLayout);
        assert_eq!(layout(&harness), &Layout::default());
        check_all(&harness);
    }

    #[test]
    fn the_bodies_are_dragged_by_their_corner() {
        let mut harness = pedlar();
        let right = harness.state().window.unwrap().right();
        let from = tab(&harness, "Bodies");
        let at = egui::pos2(right - 3.0, bodies(&harness).center().y);
        drag(&mut harness, from, at);
        check_all(&harness);
        assert_eq!(groups(&harness)[1], [Pane::Bodies]);
        assert!((bodies(&harness).right() - right).abs() < 2.0);
        // Dropped onto a pane they are one group, and a tab brings them back.
        let faults = harness
            .state()
            .memory
            .dock
            .tree
            .tiles
            .rect(tile_of(Pane::Faults));
        let (from, at) = (tab(&harness, "Bodies"), faults.unwrap().center());
        drag(&mut harness, from, at);
        check_all(&harness);
        assert_eq!(groups(&harness)[0].len(), 5);
        press(&mut harness, "Map");
        assert!(harness.state().views.is_empty());
        assert!(harness.query_by_label("Close Bodies").is_none());
        press(&mut harness, "Bodies");
        assert_eq!(harness.state().views.len(), 2);
        check_all(&harness);
    }

    #[test]
    fn a_panel_is_closed_and_opened_by_mouse_key_and_menu() {
        let mut harness = pedlar();
        apply(&mut harness, Command::MovePanel(Pane::Tune, Place::Left));
        let placed = layout(&harness).clone();
        press(&mut harness, "Close Tune");
        assert!(harness.query_by_label("Tune").is_none());
        let left = harness.state().window.unwrap().left();
        assert_eq!(bodies(&harness).left(), left);
        check_all(&harness);
        // Where it stood.
        harness.key_press(egui::Key::F4);
        harness.run_steps(4);
        assert_eq!(layout(&harness), &placed);
        harness.key_press_modifiers(egui::Modifiers::SHIFT, egui::Key::F4);
        harness.run_steps(4);
        assert!(!layout(&harness).has(Pane::Tune));
        press(&mut harness, "Panels");
        press(&mut harness, "Tune");
        assert!(layout(&harness).shows(Pane::Tune));
        // Behind the pane that is closed comes the next of its group.
        harness.key_press(egui::Key::Escape);
        harness.run_steps(4);
        press(&mut harness, "Close Tracks");
        assert!(layout(&harness).shows(Pane::Curves) && !layout(&harness).has(Pane::Tracks));
        press(&mut harness, "Close Curves");
        check_all(&harness);
        // Time can be played still, until it is hidden.
        assert!(harness.query_by_label("▶|").is_some());
        harness.key_press(egui::Key::F7);
        harness.run_steps(4);
        assert!(harness.query_by_label("▶|").is_none());
        harness.key_press(egui::Key::T);
        harness.run_steps(4);
        assert!(layout(&harness).shows(Pane::Tracks));
        assert!(harness.query_by_label("▶|").is_some());
        check_all(&harness);
    }

    #[test]
    fn panels_that_stand_apart_are_hidden_by_one_key() {
        let mut harness = pedlar();
        apply(&mut harness, Command::MovePanel(Pane::Tune, Place::Left));
        apply(&mut harness, Command::MovePanel(Pane::Curves, Place::Above));
        let placed = layout(&harness).clone();
        let before = bodies(&harness);
        harness.key_press(egui::Key::F6);
        harness.run_steps(4);
        let width = harness.state().window.unwrap().width();
        assert_eq!(bodies(&harness).width(), width);
        check_all(&harness);
        harness.key_press(egui::Key::F7);
        harness.run_steps(4);
        assert!(bodies(&harness).height() > before.height() + 400.0);
        check_all(&harness);
        harness.key_press(egui::Key::F6);
        harness.key_press(egui::Key::F7);
        harness.run_steps(4);
        assert_eq!(layout(&harness), &placed);
        assert_eq!(bodies(&harness), before);
        // What stands left of the bodies goes to the right.
        apply(&mut harness, Command::SwapSide);
        assert_eq!(
            groups(&harness)[0],
            [Pane::Faults, Pane::Map, Pane::Presets]
        );
        let [left, right] = ["Close Faults", "Close Tune"].map(|words| tab(&harness, words).x);
        assert!(
            left < before.left() && right > before.right(),
            "{left} {right}"
        );
        check_all(&harness);
    }

    #[test]
    fn how_panels_stand_is_kept_and_comes_back() {
        let mut harness = pedlar();
        apply(&mut harness, Command::MovePanel(Pane::Faults, Place::Left));
        apply(&mut harness, Command::MovePanel(Pane::Curves, Place::Below));
        apply(&mut harness, Command::ClosePanel(Pane::Presets));
        let edge = bodies(&harness).left_center() - vec2(0.5, 0.0);
        drag(&mut harness, edge, edge + vec2(80.0, 0.0));
        assert!(layout(&harness).panes.size_of(Pane::Faults).unwrap() > 390);
        let folder = std::env::temp_dir().join(format!("workbench-dock-{}", std::process::id()));
        std::fs::create_dir_all(&folder).unwrap();
        let path = folder.join("window.ron");
        save_ron(&path, &harness.state().session.preferences).unwrap();
        let (read, problem) = Preferences::read(&path);
        assert_eq!(problem, None);
        let mut again = pedlar();
        again.state_mut().session.preferences = read;
        again.run_steps(4);
        check_all(&again);
        assert_eq!(
            layout(&again),
            layout(&harness),
            "nothing was dragged there"
        );
        assert_eq!(bodies(&again), bodies(&harness));
        std::fs::remove_dir_all(&folder).unwrap();
    }

    #[test]
    fn a_small_window_has_room_for_everything() {
        // The second is 1440 by 900 at a scale of 250 %.
        for size in [[640.0, 480.0], [576.0, 360.0]] {
            let mut harness = harness_of_size(opened(), size);
            let arranged = [None, Some(Pane::Faults)];
            for moved in arranged {
                if let Some(pane) = moved {
                    apply(&mut harness, Command::MovePanel(pane, Place::Left));
                }
                check_all(&harness);
                let window = harness.state().window.unwrap();
                let seen = bodies(&harness);
                assert!(
                    seen.width() >= LEAST && seen.height() >= LEAST,
                    "{size:?}: {seen}"
                );
                for pane in layout(&harness).in_front() {
                    let rect = harness.state().memory.dock.tree.tiles.rect(tile_of(pane));
                    let rect = rect.unwrap();
                    assert!(window.expand(0.5).contains_rect(rect), "{pane:?}: {rect}");
                    assert!(
                        rect.width() >= LEAST && rect.height() > 0.0,
                        "{pane:?}: {rect}"
                    );
                }
                // Time is played, and its fields are within the window.
                for words in ["▶|", "loop", "speed"] {
                    let rect = harness.get_by_label(words).rect();
                    assert!(window.contains_rect(rect), "{words}: {rect}");
                }
            }
            for (pane, key) in [(Pane::Tune, egui::Key::F4), (Pane::Presets, egui::Key::F5)] {
                harness.key_press(key);
                harness.run_steps(4);
                assert!(layout(&harness).shows(pane));
                check_all(&harness);
            }
            harness.key_press(egui::Key::F6);
            harness.key_press(egui::Key::F7);
            harness.run_steps(4);
            let width = harness.state().window.unwrap().width();
            assert_eq!(bodies(&harness).width(), width);
            check_all(&harness);
        }
    }

    fn check(given: &[Option<u32>], bodies: Option<usize>, room: f32, expected: &[f32]) {
        let sizes = sizes(given, bodies, 316.0, room);
        assert_eq!(sizes.len(), expected.len());
        for (size, expected) in sizes.iter().zip(expected) {
            assert!((size - expected).abs() < 0.01, "{given:?}: {sizes:?}");
        }
    }

    #[test]
    fn the_bodies_get_what_is_left_and_not_too_little() {
        check(&[None, None], Some(0), 1440.0, &[1124.0, 316.0]);
        check(&[Some(400), None], Some(1), 1440.0, &[400.0, 1040.0]);
        // A small window: as usual less than half, and as given not more than leaves a pane.
        check(&[None, None], Some(0), 600.0, &[330.0, 270.0]);
        check(&[None, Some(900)], Some(0), 600.0, &[72.0, 528.0]);
        check(&[None, Some(900)], Some(0), 100.0, &[50.0, 50.0]);
        check(&[None, None, None], Some(1), 600.0, &[198.0, 204.0, 198.0]);
        check(&[None], Some(0), 600.0, &[600.0]);
    }

    #[test]
    fn without_the_bodies_all_are_in_proportion() {
        check(&[None, None], None, 900.0, &[450.0, 450.0]);
        check(&[Some(100), Some(200)], None, 900.0, &[300.0, 600.0]);
        check(
            &[Some(100), None, Some(200)],
            None,
            900.0,
            &[200.0, 300.0, 400.0],
        );
        check(&[Some(40), Some(40)], None, 0.0, &[0.0, 0.0]);
    }

    #[test]
    fn the_tree_is_what_the_state_has() {
        let mut layout = Layout::default();
        let check = |layout: &Layout| {
            let mut dock = Dock::default();
            dock.follow(layout, vec2(1200.0, 700.0));
            let root = dock.tree.root().unwrap();
            let read = layout.panes.with_root(dock.read(root, None));
            assert_eq!(read.as_ref(), Ok(&layout.panes));
        };
        check(&layout);
        layout.put_at(Pane::Tune, Place::Left);
        layout.put_at(Pane::Curves, Place::Below);
        layout.put_at(Pane::Map, Place::With(Pane::Bodies));
        layout.panes.close(Pane::Presets);
        check(&layout);
        if let Area::Column(pieces) = &mut layout.panes.root {
            pieces[1].size = Some(190);
        }
        check(&layout);
    }
}
